"""A bench whose photographs certainly belong to what is shown."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from rigwarp.capture.photographs.following import require_following
from rigwarp.capture.photographs.latency import CHANGES, Latency, measure_latency
from rigwarp.capture.photographs.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.photographs.synchronised_camera import SynchronisedCamera
from rigwarp.devices import Bench, OneShotCamera, StreamingCamera
from rigwarp.errors import MeasurementError

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
        return {
            "camera_unlocked": list(self.camera.unlocked),
            "latency": None
            if self.latency is None
            else {
                "median_s": self.latency.median_s,
                "max_s": self.latency.max_s,
                "frame_s": self.latency.frame_s,
                "changes": self.latency.changes,
            },
        }


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
    if isinstance(bench.camera, OneShotCamera):
        # each change waits for a slow photograph: paced all the same, whatever the command does
        display = PacedDisplay(bench.display, changes_per_s=changes_per_s)
        require_following(display, bench.camera)
        return SynchronisedBench(display=display, camera=bench.camera)
    if not isinstance(bench.camera, StreamingCamera):
        return SynchronisedBench(display=bench.display, camera=bench.camera)
    display = PacedDisplay(bench.display, changes_per_s=changes_per_s)
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
