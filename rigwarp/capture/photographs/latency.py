"""How long it takes from a picture shown to its photograph, measured with a light that changes at random moments."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final

import numpy as np

from rigwarp.capture.photographs.agreement import Agreement, learn_agreement
from rigwarp.capture.photographs.paced_display import PacedDisplay
from rigwarp.devices import Frame, NetworkCamera, Shot, StreamingCamera
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Photo

CHANGES: Final = 30
_TEST_CODES = (64, 192)  # uniform greys: enough contrast, nothing burnt out, no full black to white
_SETTLE_S = 2.0  # longer than any latency that can be worked with; network cameras take a second
_AT_REST = 6  # photographs of each test light
_LONGEST_S = 3.0
_SPREAD_FRAMES = 2.0  # random pause before each change, camera frames: no beat between the two clocks


@dataclass(frozen=True, kw_only=True)
class Latency:
    """Time from the return of `show` to the arrival of the first photograph of the new picture alone.

    Attributes
    ----------
    median_s, max_s : of all changes.
    frame_s : usual time between photographs.
    changes : how many were measured.
    agreement : how alike photographs of one picture are.
    last : what the display showed at the end, and its photograph.
    """

    median_s: float
    max_s: float
    frame_s: float
    changes: int
    agreement: Agreement
    last: tuple[Frame, Photo]


def measure_latency(
    display: PacedDisplay,
    camera: StreamingCamera,
    random: np.random.Generator,
    *,
    changes: int = CHANGES,
    rest_s: float | None = None,
) -> Latency:
    """Show two greys in turn and time when each arrives.

    Changes during which a network camera went away and came back count for nothing, or each photograph of a scan
    would be waited for as long as that took.

    Parameters
    ----------
    random : for the moments of the changes.
    changes : how many are timed.
    rest_s : surely longer than the latency; None: two seconds.

    Raises
    ------
    DeviceError
        If the camera or the display fails.
    MeasurementError
        If the camera does not see the light change, or sees it more than three seconds later, or goes away as often
        as it stays.
    """
    width, height = display.resolution
    greys = [np.full((height, width), code, np.uint8) for code in _TEST_CODES]
    rest_s = _SETTLE_S if rest_s is None else rest_s
    at_rest = []
    for grey in greys:
        display.show(grey)
        at_rest.append([shot.photo for shot in islice(_shots(camera, display.shown_s + rest_s), _AT_REST)])
    agreement = learn_agreement(*at_rest)
    references = [photos[-1] for photos in at_rest]
    times_s: list[float] = []
    for change in range(2 * changes):
        which = change % len(greys)
        time.sleep(random.uniform(0.0, _SPREAD_FRAMES * camera.frame_s))
        display.show(greys[which])
        arrival_s = _arrival(camera, display.shown_s, references[which], agreement)
        if arrival_s is not None:
            times_s.append(arrival_s)
        if len(times_s) == changes:
            break
    else:
        raise MeasurementError("the camera goes away and comes back again and again: use a cable instead of radio")
    return Latency(
        median_s=float(np.median(times_s)),
        max_s=max(times_s),
        frame_s=camera.frame_s,
        changes=changes,
        agreement=agreement,
        last=(greys[which], references[which]),
    )


def _shots(camera: StreamingCamera, after_s: float) -> Iterator[Shot]:
    while True:
        yield (shot := camera.next_shot(after_s))
        after_s = shot.arrived_s


def _arrival(camera: StreamingCamera, shown_s: float, reference: Photo, agreement: Agreement) -> float | None:
    """How long the picture took; None where the camera went away meanwhile."""
    away = _times_away(camera)
    for shot in _shots(camera, shown_s):
        if _times_away(camera) != away:
            return None
        if agreement.same(shot.photo, reference):
            return shot.arrived_s - shown_s
        if shot.arrived_s >= shown_s + _LONGEST_S:
            break
    raise MeasurementError(
        f"the camera does not show a change of the projector's light {_LONGEST_S:g} s later: switch off what it "
        "adjusts by itself (exposure, gain, white balance), keep other light and shadows steady, and try again"
    )


def _times_away(camera: StreamingCamera) -> int:
    losses = camera.losses() if isinstance(camera, NetworkCamera) else None
    return losses.away if losses else 0
