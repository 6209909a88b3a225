"""How long it takes from a picture shown to its photograph, measured with a light that changes at random moments."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final

import numpy as np

from rigwarp.capture.photographs.agreement import Agreement, learn_agreement
from rigwarp.capture.photographs.paced_display import PacedDisplay
from rigwarp.devices import Frame, Losses, NetworkCamera, Shot, StreamingCamera
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Photo

CHANGES: Final = 30
_TEST_CODES = (64, 192)  # uniform greys: enough contrast, nothing burnt out, no full black to white
_SETTLE_S = 2.0  # longer than any latency that can be worked with; network cameras take a second
_AT_REST = 6  # photographs of each test light
_LONGEST_S = 3.0
_MOST_IN_A_ROW = 8  # disturbed changes; each may take ten seconds
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

    Changes during which a network camera went away and came back, or sent broken pictures, count for nothing, or each
    photograph of a scan would be waited for as long as that took.

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
        If the camera does not see the light change, or sees it more than three seconds later, or is disturbed as often
        as it is not, or many times in a row.
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
    before, in_a_row = _losses(camera), 0
    for change in range(2 * changes):
        which = change % len(greys)
        time.sleep(random.uniform(0.0, _SPREAD_FRAMES * camera.frame_s))
        display.show(greys[which])
        arrival_s = _arrival(camera, display.shown_s, references[which], agreement)
        in_a_row = in_a_row + 1 if arrival_s is None else 0
        if arrival_s is not None:
            times_s.append(arrival_s)
        if len(times_s) == changes or in_a_row == _MOST_IN_A_ROW:
            break
    if len(times_s) < changes:
        raise MeasurementError(_disturbed(before, _losses(camera)))
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
    """How long the picture took; None where the camera went away meanwhile, or sent broken pictures."""
    before = _losses(camera)
    for shot in _shots(camera, shown_s):
        now = _losses(camera)
        if (now.away, now.pictures) != (before.away, before.pictures):
            return None
        if agreement.same(shot.photo, reference):
            return shot.arrived_s - shown_s
        if shot.arrived_s >= shown_s + _LONGEST_S:
            break
    raise MeasurementError(
        f"the camera does not show a change of the projector's light {_LONGEST_S:g} s later: switch off what it "
        "adjusts by itself (exposure, gain, white balance), keep other light and shadows steady, and try again"
    )


def _losses(camera: StreamingCamera) -> Losses:
    losses = camera.losses() if isinstance(camera, NetworkCamera) else None
    return losses or Losses(packets=None, pictures=0, away=0)


def _disturbed(before: Losses, after: Losses) -> str:
    """Why no latency can be told."""
    if after.away > before.away:
        return "the camera goes away and comes back again and again: use a cable instead of radio"
    return (
        f"packets of the camera's video get lost again and again, {after.pictures - before.pictures} pictures were "
        "broken by it: use a cable instead of radio, or a lower bit rate, and set a key frame for each picture"
    )
