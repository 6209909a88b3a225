"""A camera that moves during the scan: found to hundredths of a pixel and put right, or refused with what happened."""

import functools
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoded, decode
from rigwarp.decode.photographs.motion import moved_back
from rigwarp.decode.photographs.shared_errors import MOTION
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.patterns import PatternSet, fast_set, make_set

SHAPE, RESOLUTION = (240, 320), (854, 480)
MARGIN = 12  # pixels of a larger scene, so that what moves into the picture is known
PATTERNS = fast_set(RESOLUTION, 2.2)


def larger() -> tuple[Array, Array, Array, Array]:
    """Positions, brightness with a print on it, and ambient light, on a slightly larger picture."""
    u, v, brightness, ambient = smooth_scene((SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN), RESOLUTION)
    # turned a little and bent: on real tables neither direction of stripes runs along the camera's rows
    x, y = u / RESOLUTION[0] - 0.5, v / RESOLUTION[1] - 0.5
    u, v = u + 60.0 * y + 40.0 * x * y, v - 40.0 * x + 40.0 * x * x
    grain = gaussian_filter(np.random.default_rng(3).standard_normal(u.shape), 1.5)
    inside = (u > 5) & (u < RESOLUTION[0] - 6) & (v > 5) & (v < RESOLUTION[1] - 6)
    return u, v, np.where(inside, brightness * (1.0 + 0.3 * grain), 0.0), ambient


WHOLE = larger()


@functools.lru_cache(maxsize=2)
def seen(shift_px: tuple[float, float]) -> Scene:
    """What the camera sees after the scene has shifted by (columns, rows) in its picture."""
    row, column = np.indices(SHAPE, float)
    place = np.stack([row + MARGIN - shift_px[1], column + MARGIN - shift_px[0]])
    u, v, brightness, ambient = (map_coordinates(image, place, order=3) for image in WHOLE)
    return Scene(u_px=u, v_px=v, brightness=np.maximum(brightness, 0.0), ambient=ambient)


def taken(patterns: PatternSet, course: list[tuple[float, float]], seed: int = 1) -> list[np.ndarray]:
    """Each photograph with its own shift."""
    random = np.random.default_rng(seed)
    return [
        photograph(seen(shift), replace(patterns, frames=(frame,)), rng=random)[0]
        for frame, shift in zip(patterns.frames, course, strict=True)
    ]


def judge(decoded: Decoded) -> tuple[float, float, float]:
    """Mean errors (u, v), projector pixels, and the spread of error over sigma."""
    still = seen((0.0, 0.0))
    good = decoded.valid
    good[:8] = good[-8:] = good[:, :8] = good[:, -8:] = False
    error_u, error_v = (decoded.u_px - still.u_px)[good], (decoded.v_px - still.v_px)[good]
    return float(error_u.mean()), float(error_v.mean()), float(np.std(error_u / decoded.sigma_u_px[good]))


def creep(count: int, total_px: tuple[float, float]) -> list[tuple[float, float]]:
    return [(total_px[0] * n / (count - 1), total_px[1] * n / (count - 1)) for n in range(count)]


def test_a_stand_that_creeps_is_put_right() -> None:
    total_px = (0.8, 0.5)
    decoded = decode(taken(PATTERNS, creep(34, total_px)), PATTERNS)
    assert "little by little" in decoded.corrected[0]
    assert "0.94 px" in decoded.corrected[0]
    assert 0.0 < decoded.motion_sigma_px < 0.04
    u, v, spread = judge(decoded)
    per_pixel = RESOLUTION[0] / SHAPE[1]
    assert max(abs(u), abs(v)) < 0.02 * per_pixel  # camera px
    assert 0.8 < spread < 1.1  # moving a photograph averages some of its noise away
    assert decoded.valid.mean() > 0.8


def test_a_still_camera_is_left_alone() -> None:
    decoded = decode(taken(PATTERNS, creep(34, (0.0, 0.0))), PATTERNS)
    assert decoded.corrected == ()
    assert decoded.moved_share < 0.001


def test_a_gray_code_is_put_right_too() -> None:
    patterns = make_set("gray", RESOLUTION, 2.2)
    decoded = decode(taken(patterns, creep(len(patterns.frames), (0.1, -0.06))), patterns)
    assert "little by little" in decoded.corrected[0]
    u, v, _ = judge(decoded)
    assert max(abs(u), abs(v)) < 0.02 * RESOLUTION[0] / SHAPE[1]


def test_a_creep_of_hundredths_of_a_pixel_is_put_right() -> None:
    """Half a code of 8 bits: rounded to these again, photographs stayed where they were."""
    decoded = decode(taken(PATTERNS, creep(34, (0.08, -0.05))), PATTERNS)
    assert "little by little" in decoded.corrected[0]
    u, v, _ = judge(decoded)
    assert max(abs(u), abs(v)) < 0.006 * RESOLUTION[0] / SHAPE[1]


def test_a_knock_is_refused_with_when_and_how_far() -> None:
    """Where stripes tell the shift in part only: not less than OpenCV finds in white photographs across them."""
    knock = (1.2, -0.7)
    white = replace(PATTERNS, frames=PATTERNS.frames[7:8])
    before, after = taken(white, [(0.0, 0.0)], seed=2)[0], taken(white, [knock], seed=4)[0]
    _, matrix = cv2.findTransformECC(before, after, np.eye(2, 3, dtype=np.float32), cv2.MOTION_TRANSLATION)
    assert matrix[:, 2] == pytest.approx(knock, abs=0.03)
    with pytest.raises(MeasurementError, match="moved during the scan") as found:
        decode(taken(PATTERNS, [(0.0, 0.0)] * 16 + [knock] * 18), PATTERNS)
    told = re.search(r"between photographs 16 .* and 17 .* by (at least )?(\d\.\d) px", str(found.value))
    assert told is not None
    assert abs(matrix[0, 2]) - 0.15 < float(told.group(2)) < np.hypot(*matrix[:, 2]) + 0.15


@pytest.mark.parametrize("photograph_number", [4, 6, 8, 9])
def test_a_knock_before_the_stripes_is_put_right(photograph_number: int) -> None:
    """These agree with each other; only what is lit lies elsewhere than in the grey frames before."""
    knock, before = (0.3, -0.2), photograph_number - 1
    decoded = decode(taken(PATTERNS, [(0.0, 0.0)] * before + [knock] * (34 - before)), PATTERNS)
    numbers = rf"between photographs {before} \(\d+\) and {photograph_number} \(\d+\) by 0.4 px"
    assert re.search(numbers, decoded.corrected[0])
    u, v, _ = judge(decoded)
    per_pixel = RESOLUTION[0] / SHAPE[1]
    assert max(abs(u), abs(v)) < 2.0 * decoded.motion_sigma_px * per_pixel < 0.07 * per_pixel


def test_a_camera_that_wanders_about_is_refused() -> None:
    course = [(0.0, 0.0)] * 12 + [(0.8, 0.3)] * 5 + [(-0.6, 0.6)] * 6 + [(0.9, -0.7)] * 11
    with pytest.raises(MeasurementError, match="moved during the scan"):
        decode(taken(PATTERNS, course), PATTERNS)


def test_a_photograph_is_moved_back_where_it_was() -> None:
    """findTransformECC (OpenCV) sees nearly the shift before, and none afterwards."""
    white = replace(PATTERNS, frames=PATTERNS.frames[7:8])
    before, after = taken(white, [(0.0, 0.0)])[0], taken(white, [(0.6, -1.3)], seed=5)[0]
    fields = np.zeros(MOTION)
    fields[:2] = 0.6, -1.3

    def shift(photo: np.ndarray) -> Array:
        start = np.eye(2, 3, dtype=np.float32)
        same = 255.0 * photo.astype(np.float32) / np.iinfo(photo.dtype).max
        return cv2.findTransformECC(before.astype(np.float32), same, start, cv2.MOTION_TRANSLATION)[1][:, 2]

    assert shift(after) == pytest.approx([0.6, -1.3], abs=0.03)
    assert shift(moved_back(after, fields)) == pytest.approx([0.0, 0.0], abs=0.01)
