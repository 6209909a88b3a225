"""A bench whose photographs certainly belong to what is shown."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from rigwarp.capture.photographs.agreement import cell_means
from rigwarp.capture.photographs.latency import CHANGES, Latency, measure_latency
from rigwarp.capture.photographs.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.photographs.synchronised_camera import SynchronisedCamera
from rigwarp.devices import Bench, Display, OneShotCamera, StreamingCamera
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_DARK, _BRIGHT = 64, 192  # code values: no full black to white
_LIT_SHARE = 0.01  # of the cells are lit at least, by any projector that is seen at all
_LEAST_CHANGE = 0.02  # of full scale: five codes of 255
_SAME = 0.25  # of that change may the two photographs of dark differ: other light, noise
_LONGER: Final = (1.0, 3.0)
"""Pauses before each photograph that are tried where the usual one is too short, seconds."""


def require_following(display: Display, camera: OneShotCamera) -> None:
    """Photograph dark, bright and dark; where they do not show it, with longer pauses, which are then kept.

    Raises
    ------
    MeasurementError
        If the camera sees hardly any change, or other changes than those shown.
    """
    for settle_s in (camera.settle_s, *_LONGER):
        camera.settle_s = max(camera.settle_s, settle_s)
        dark, bright, again = (_seen(display, camera, code) for code in (_DARK, _BRIGHT, _DARK))
        rise = bright - np.maximum(dark, again)
        lit = rise >= max(_LEAST_CHANGE, float(np.quantile(rise, 1.0 - _LIT_SHARE)))
        if lit.any() and float(np.median(np.abs(again - dark)[lit])) < _SAME * float(np.median(rise[lit])):
            return
    changes = np.ptp([dark, bright, again], axis=0)
    if float(np.quantile(changes, 1.0 - _LIT_SHARE)) < _LEAST_CHANGE:
        raise MeasurementError(
            "the camera sees hardly any change when the projector's light changes: check that the projector is on, "
            "that this window is on it, that the camera sees the table, and the exposure"
        )
    raise MeasurementError(
        f"photographs do not follow the projector's light, even {camera.settle_s:g} s after it has changed: switch off "
        "what the camera adjusts by itself (exposure, ISO, white balance), and let its command take a new photograph "
        "each time, not fetch the last one"
    )


def _seen(display: Display, camera: OneShotCamera, code: int) -> Array:
    """Cells of a photograph of uniform light, as shares of full scale."""
    width, height = display.resolution
    display.show(np.full((height, width), code, np.uint8))
    photo = camera.grab()
    return cell_means(photo) / np.iinfo(photo.dtype).max


_CONFIRMING: Final = 4
_REST_OF_KNOWN: Final = 2.0  # test lights rest that much longer than they should need


@dataclass(frozen=True, kw_only=True)
class SynchronisedBench(Bench):
    """A bench that keeps `Camera.grab`'s promise, and what was measured for it.

    Attributes
    ----------
    latency : None where nothing had to be measured: a virtual camera exposes when it is told to.
    """

    latency: Latency | None = None

    def facts(self) -> dict[str, Any]:
        """For the run's record."""
        names = ("median_s", "max_s", "frame_s", "changes")
        told = None if self.latency is None else {name: getattr(self.latency, name) for name in names}
        return {"camera_unlocked": list(self.camera.unlocked), "latency": told}


def synchronise(
    bench: Bench,
    random: np.random.Generator,
    *,
    changes_per_s: float | None = CHANGES_PER_S,
    changes: int = CHANGES,
    known_max_s: float | None = None,
) -> SynchronisedBench:
    """Measure a bench's latency, which takes ten seconds or so, and use it from then on.

    Where the camera is asked for each photograph, three of them make sure that it follows the display. A virtual bench
    is returned as it is: nothing is measured, and its display is not slowed down, for nobody watches it.

    Parameters
    ----------
    random : for the moments of the test light.
    changes_per_s : most changes of the picture in a second, the test light's included; None: as fast as possible.
    changes : how many changes of the test light are timed.
    known_max_s : the longest latency that an earlier measurement found. If a few changes confirm it, which takes a
        second or two, it is taken over; else it is measured anew.

    Raises
    ------
    DeviceError, MeasurementError
        See `measure_latency` and `require_following`.
    """
    if not isinstance(bench.camera, OneShotCamera | StreamingCamera):
        return SynchronisedBench(display=bench.display, camera=bench.camera)
    display = PacedDisplay(bench.display, changes_per_s=changes_per_s)
    if isinstance(bench.camera, OneShotCamera):  # paced, too, although each change waits for a slow photograph
        require_following(display, bench.camera)
        return SynchronisedBench(display=display, camera=bench.camera)
    latency = None if known_max_s is None else _confirmed(display, bench.camera, random, known_max_s)
    latency = latency or measure_latency(display, bench.camera, random, changes=changes)
    return SynchronisedBench(
        display=display, camera=SynchronisedCamera(bench.camera, display, latency), latency=latency
    )


def _confirmed(
    display: PacedDisplay, camera: StreamingCamera, random: np.random.Generator, known_max_s: float
) -> Latency | None:
    """An earlier latency, if a few changes do not contradict it."""
    rest_s = _REST_OF_KNOWN * known_max_s
    try:
        found = measure_latency(display, camera, random, changes=_CONFIRMING, rest_s=rest_s)
    except MeasurementError:  # what was photographed at rest was not at rest: the camera has become slower
        return None
    # of few changes the slowest may well be the slowest so far, but hardly by more than a frame
    fits = found.max_s <= known_max_s + camera.frame_s
    return replace(found, max_s=max(found.max_s, known_max_s)) if fits else None
