"""The pre-flight: before a scan is worth its time, look at what the camera sees of a few simple pictures.

Some fifty photographs: steady white, the grey levels down to black, two broad stripe pictures for the blur and eight
with stripes one and two pixels wide; about twenty in a quick look. No two neighbouring pictures are black and white.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel, detect_board
from rigwarp.camera.table.field_of_view import content_in_view, content_pixels, sheet_pixels
from rigwarp.camera.table.sheet_move import sheet_move
from rigwarp.capture.preflight.exposure_search import ExposureFound, find_exposure
from rigwarp.capture.preflight.findings import (
    CONTENT,
    POSE,
    SCALING,
    PreflightFinding,
    about_blur,
    about_channels,
    about_compression,
    about_contrast,
    about_exposure,
    about_network,
    about_overlay,
    about_pose,
    about_room_light,
    about_scaling,
    about_settings,
    about_steadiness,
    about_view,
    not_measured,
)
from rigwarp.capture.scans.record import photograph
from rigwarp.decode import blur_from_stripes
from rigwarp.decode.checks.compression import measure_compression
from rigwarp.decode.checks.finest_stripes import measure_finest_stripes, stripe_frames
from rigwarp.decode.checks.light_levels import lit_pixels, measure_light, usual_response
from rigwarp.decode.checks.overlay import find_overlay
from rigwarp.decode.checks.steadiness import measure_steadiness
from rigwarp.devices import Bench, ColourCamera, Frame, NetworkCamera
from rigwarp.devices.video_camera import as_grey
from rigwarp.errors import MeasurementError
from rigwarp.geometry import BoolArray, Photo
from rigwarp.patterns import PatternSet, PhaseFrame
from rigwarp.rig import CHANNELS, Channel, Rig

FRAME_S = 1 / 60
"""One frame of a usual projector."""

_LEVELS = (255, 232, 208, 168, 128, 88, 48, 0)  # downwards: no two neighbours make a full flash
_QUICK_LEVELS = (255, 208, 144, 80, 0)
_RAMP = (96, 184)  # towards white, likewise
_BETWEEN = 64  # darker than any mixture of stripes
_WHITES, _BLACKS = 12, 5  # unchanging pictures, to see whether they stay the same
_QUICK_WHITES = 4
_REST = 3  # photographs of what has come to rest
_BLUR_PERIOD_PX, _BLUR_LIGHT = 25.0, (0.02, 0.98)
_NEARLY_TWO = 1.9  # frames: drivers round
_BURNT, _BRIGHT, _DIM = 0.001, 0.97, 0.4  # of white: outside, the exposure is searched for
_BRIGHTEST = 0.98
"""Share of pixels below: a camera that cuts off black has one value wherever no light falls, often on most of them."""


@dataclass(frozen=True, kw_only=True)
class Preflight:
    """What the pre-flight found.

    Attributes
    ----------
    findings : one per thing looked at.
    exposure_s : the camera's exposure at the end; None when it does not say.
    white : (H, W) photograph of projected white.
    """

    findings: tuple[PreflightFinding, ...]
    exposure_s: float | None
    white: Photo


def count_photographs(*, quick: bool) -> int:
    """About how many photographs the pre-flight takes, for a progress bar."""
    if quick:
        return len(_RAMP) + len(_QUICK_LEVELS) + 8 + _QUICK_WHITES
    return len(_RAMP) + len(_LEVELS) + 21 + _WHITES + _BLACKS - 1


def run_preflight(
    bench: Bench,
    rig: Rig,
    *,
    camera: CameraModel | None,
    sheet_height_mm: float,
    quick: bool = False,
    advance: Callable[[], None],
) -> Preflight:
    """Look at everything that can be told before a scan.

    Parameters
    ----------
    camera : from camera.json; without it nothing is said about the content area and the camera's place.
    sheet_height_mm : of the print on the table, table frame.
    quick : leaves the exposure alone where it will do, and takes fewer photographs; the blur is left to the scan.
    """
    looked_at = None
    if camera is not None and camera.resolution == bench.camera.resolution:
        looked_at = content_pixels(camera, rig.content, rig.table.height_mm)
    white = _shown(bench, [_level(bench, code) for code in (*_RAMP, 255)], advance)[-1]
    found = _exposed(bench, white, looked_at, quick=quick)
    whites = _steady(bench, _QUICK_WHITES if quick else _WHITES, advance)
    codes = _QUICK_LEVELS if quick else _LEVELS
    photos = [whites[-1], *_shown(bench, [_level(bench, code) for code in codes[1:]], advance)]
    blacks = [] if quick else [photos[-1], *_steady(bench, _BLACKS - 1, advance)]
    light = measure_light(photos[-1], whites[-1], looked_at)
    lit = lit_pixels(photos[-1], whites[-1])
    contrast = about_contrast(light, _noise(whites, lit))
    findings = [
        about_exposure(light, found, bench.camera.exposure_s),
        contrast,
        about_room_light(light),
        about_settings(bench.camera.unlocked),
    ]
    if contrast.severity != "stop":
        levels = dict(zip(codes, photos, strict=True))
        fine = contrast.severity == "fine" and not quick  # noise passes for contrast of the finest stripes
        findings.append(_judged(SCALING, lambda: _scaling(bench, rig, levels, wider=fine, advance=advance)))
        findings.append(_judged("steady light", lambda: _steady_light(bench, whites, blacks, lit)))
        if not quick:  # else the scan measures the blur itself
            findings += _stream(bench, rig, levels, lit, advance)
            colour = judge_channels(bench, rig.camera.channel)
            findings += [colour] if colour else []
    findings += _about_place(rig, camera, looked_at, whites[-1], photos[-1], sheet_height_mm)
    losses = bench.camera.losses() if isinstance(bench.camera, NetworkCamera) else None
    findings += [about_network(losses)] if losses else []
    return Preflight(findings=tuple(findings), exposure_s=bench.camera.exposure_s, white=whites[-1])


def _judged(what: str, judge: Callable[[], PreflightFinding]) -> PreflightFinding:
    """A finding; what cannot be measured is one as well."""
    try:
        return judge()
    except MeasurementError as error:
        return not_measured(what, str(error))


def _scaling(
    bench: Bench, rig: Rig, levels: dict[int, Photo], *, wider: bool, advance: Callable[[], None]
) -> PreflightFinding:
    """Stripes one pixel wide in both directions, and those of two pixels to compare with."""
    size, transfer = bench.display.resolution, rig.projector.transfer
    judged = {}
    for axis in ("x", "y"):
        finest = _apart(bench, stripe_frames(size, axis), advance)
        double = _apart(bench, stripe_frames(size, axis, pixels=2), advance) if wider else None
        judged[axis] = measure_finest_stripes(levels, finest, transfer, wider=double)
    return about_scaling(judged)


def _steady_light(bench: Bench, whites: Sequence[Photo], blacks: Sequence[Photo], lit: BoolArray) -> PreflightFinding:
    response = usual_response(int(np.iinfo(whites[0].dtype).max))  # not from the levels: they may flicker too
    steady = measure_steadiness(whites, lit, response=response)
    dark = measure_steadiness(blacks, lit, response=response) if len(blacks) > 1 else None
    return about_steadiness(steady, dark, FRAME_S, bench.camera.exposure_s)


def _stream(
    bench: Bench, rig: Rig, levels: dict[int, Photo], lit: BoolArray, advance: Callable[[], None]
) -> list[PreflightFinding]:
    """Broad stripes: how sharp they are, and what the camera makes of them; last, what it writes into its pictures."""
    stripes = _broad_stripes(rig, bench.display.resolution)
    between = _level(bench, _BETWEEN)
    *dark, one, again, other = _shown(bench, [between, stripes[0], between, stripes[1]], advance)
    rest = [bench.camera.look() for _ in range(_REST)]
    dark += [again, *_shown(bench, [between], advance)]
    light = _BLUR_LIGHT[1] - _BLUR_LIGHT[0]
    return [
        _judged("sharpness", lambda: about_blur(blur_from_stripes(levels, (one, other), _BLUR_PERIOD_PX, light))),
        about_compression(measure_compression(other, rest, levels[255], lit)),
        about_overlay(find_overlay(dark)),
    ]


def judge_channels(bench: Bench, used: Channel) -> PreflightFinding | None:
    """Photograph white and black in colour and compare the channels; None for a camera in black and white."""
    camera = bench.camera
    if not isinstance(camera, ColourCamera) or camera.look_colour().ndim == 2:
        return None
    white = _in_colour(bench, camera, 255, 2)
    _in_colour(bench, camera, 128, 0)  # no two neighbours make a full flash
    (black,) = _in_colour(bench, camera, 0, 1)
    return about_channels({channel: _contrast_to_noise(white, black, channel) for channel in CHANNELS}, used)


def _in_colour(bench: Bench, camera: ColourCamera, code: int, count: int) -> list[NDArray[Any]]:
    bench.display.show(_level(bench, code))
    camera.grab()  # from now on photographs are of this
    return [camera.look_colour() for _ in range(count)]


def _contrast_to_noise(white: list[NDArray[Any]], black: NDArray[Any], channel: Channel) -> float:
    """Of the brighter half of the picture, or what is half as bright as the brightest; 0 where burnt out."""
    one, other, dark = (as_grey(photo, channel=channel) for photo in (*white, black))
    change = one.astype(np.float32) - dark
    half, brightest = np.quantile(change, [0.5, _BRIGHTEST])
    lit = change >= max(half, brightest / 2)
    if np.mean(one[lit] == np.iinfo(one.dtype).max) > _BURNT:
        return 0.0
    low, high = np.quantile((one.astype(np.float32) - other)[lit], [0.16, 0.84])
    noise = max(float(high - low) / 2.0 / 2.0**0.5, 0.3)  # rounding alone has 0.3
    return float(np.median(change[lit]) / noise)


def _about_place(
    rig: Rig,
    camera: CameraModel | None,
    looked_at: BoolArray | None,
    white: Photo,
    black: Photo,
    sheet_height_mm: float,
) -> list[PreflightFinding]:
    """Content area and the camera's place, both by camera.json; `looked_at`: None where that is for other pictures."""
    if camera is None:
        reason = "there is no camera.json yet: make it with rigwarp camera RIG"
        return [not_measured(CONTENT, reason), not_measured(POSE, reason)]
    if looked_at is None:
        reason = (
            f"camera.json is for {camera.resolution[0]} x {camera.resolution[1]} px, the camera delivers "
            f"{white.shape[1]} x {white.shape[0]}: set camera.resolution right and make camera.json again"
        )
        return [not_measured(CONTENT, reason, severity="stop")]
    height_mm = rig.table.height_mm
    sheet = detect_board(white, rig.target)
    bare = looked_at & ~sheet_pixels(sheet)  # ink is no shadow
    move = sheet_move(sheet, camera, rig.target, rig.content, sheet_height_mm=sheet_height_mm, height_mm=height_mm)
    return [
        about_view(content_in_view(camera, rig.content, height_mm), measure_light(black, white, bare)),
        about_pose(sheet, move, tolerance_mm=rig.tolerance.content_p95_mm),
    ]


def _exposed(bench: Bench, white: Photo, looked_at: BoolArray | None, *, quick: bool) -> ExposureFound | None:
    """Search for the exposure, with white shown, where the camera lets it be set and the present one will not do.

    A quick look puts up with one shorter than two projector frames.
    """
    start_s = bench.camera.exposure_s
    if start_s is None:
        return None  # not to be set from here; what to change at the camera is told
    whole_frames = quick or start_s > _NEARLY_TWO * FRAME_S
    brightest, burnt = _brightest(white, looked_at)
    if whole_frames and burnt <= _BURNT and _DIM < brightest < _BRIGHT:
        return None
    if bench.camera.set_exposure(start_s) is None:
        return None

    def tried(seconds: float) -> tuple[float, float]:
        real_s = bench.camera.set_exposure(seconds)
        photo = bench.camera.grab()
        return (seconds if real_s is None else real_s), _brightest(photo, looked_at)[0]

    return find_exposure(tried, frame_s=FRAME_S)


def _brightest(white: Photo, looked_at: BoolArray | None) -> tuple[float, float]:
    """What one pixel in a thousand exceeds, as a share of full scale; and the share of pixels at full scale."""
    seen = white if looked_at is None or not looked_at.any() else white[looked_at]
    full_scale = float(np.iinfo(white.dtype).max)
    return float(np.quantile(seen, 0.999)) / full_scale, float(np.mean(seen == full_scale))


def _noise(whites: Sequence[Photo], lit: BoolArray) -> float:
    """Of one pixel from photograph to photograph, as a share of full scale."""
    if not lit.any():
        return 0.0
    apart = whites[-1][lit].astype(np.float32) - whites[-2][lit]
    # the middle half of the differences: what flickers or moves does not count as noise
    low, high = np.quantile(apart, [0.25, 0.75])
    return float((high - low) / 1.349 / np.sqrt(2.0)) / float(np.iinfo(whites[0].dtype).max)


def _level(bench: Bench, code: int) -> Frame:
    width, height = bench.display.resolution
    return np.full((height, width), code, np.uint8)


def _broad_stripes(rig: Rig, resolution: tuple[int, int]) -> list[Frame]:
    pair = tuple(PhaseFrame(axis="x", period_px=_BLUR_PERIOD_PX, step=step, steps=4) for step in (0, 2))
    shown = PatternSet(
        resolution=resolution, transfer=rig.projector.transfer, light_range=_BLUR_LIGHT, frames=pair, name="blur"
    )
    return [shown.picture(index) for index in range(len(pair))]


def _shown(bench: Bench, frames: Sequence[Frame], advance: Callable[[], None]) -> list[Photo]:
    return list(photograph(bench, frames, advance=advance))


def _apart(bench: Bench, frames: Sequence[Frame], advance: Callable[[], None]) -> list[Photo]:
    """Photographs of pictures that may look the same to the camera, a dark one before each.

    A camera that nothing ties to the display would take the second for the first, delivered late.
    """
    dark = _level(bench, _BETWEEN)
    return _shown(bench, [shown for frame in frames for shown in (dark, frame)], advance)[1::2]


def _steady(bench: Bench, count: int, advance: Callable[[], None]) -> list[Photo]:
    """Successive photographs of what is shown now; the first is certain to show it, and the others follow it."""
    photos = []
    for number in range(count):
        photos.append(bench.camera.look() if number else bench.camera.grab())
        advance()
    return photos
