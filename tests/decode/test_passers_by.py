"""What a shadow or a reflection touches in some photographs is decoded from the others, as surely as it is said."""

from dataclasses import replace

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Reason, decode
from rigwarp.patterns import PatternSet, fast_set, gray_set

SHAPE, RESOLUTION = (200, 280), (640, 360)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
STILL = Scene(u_px=U, v_px=V, brightness=0.6 * BRIGHTNESS, ambient=AMBIENT)
ROW, COLUMN = np.mgrid[: SHAPE[0], : SHAPE[1]]


def spot(step: int) -> np.ndarray:
    """0..1 inside a soft spot of 34 px that walks to the right, 24 px from photograph to photograph."""
    beyond = np.hypot(COLUMN - 80.0 - 24.0 * step, ROW - 100.0) / 34.0 - 1.0
    return 1.0 / (1.0 + np.exp(np.clip(beyond / 0.05, -50.0, 50.0)))


def walked_by(patterns: PatternSet, first: int, *, shadow: float, shine: float = 0.0) -> tuple[list, np.ndarray]:
    """Photographs of a scan in six of which somebody walks by, and where he does in any of them."""
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    touched = np.zeros(SHAPE, bool)
    for step in range(6):
        lets = 1.0 - shadow * spot(step)
        scene = replace(
            STILL, brightness=np.asarray(STILL.brightness) * lets, ambient=AMBIENT * lets + shine * spot(step)
        )
        one = replace(patterns, frames=(patterns.frames[first + step],))
        photos[first + step] = photograph(scene, one, rng=np.random.default_rng(10 + step))[0]
        touched |= spot(step) > 1e-3
    return photos, touched


@pytest.mark.parametrize(
    ("patterns", "first", "shadow", "shine"),
    [(fast_set(RESOLUTION, 2.2), 17, 0.85, 0.0), (gray_set(RESOLUTION, 2.2), 22, 0.0, 0.15)],
    ids=["a shadow", "a reflection on waves after a Gray code"],
)
def test_who_walks_by_costs_hardly_any_pixel(patterns: PatternSet, first: int, shadow: float, shine: float) -> None:
    photos, touched = walked_by(patterns, first, shadow=shadow, shine=shine)
    decoded = decode(photos, patterns)
    assert decoded.valid[touched].mean() > 0.95
    assert decoded.valid[~touched].mean() > 0.999
    for error, sigma in ((decoded.u_px - U, decoded.sigma_u_px), (decoded.v_px - V, decoded.sigma_v_px)):
        z = (error / sigma)[touched & decoded.valid]
        assert np.sqrt(np.mean(z**2)) < 1.1
        assert np.abs(z).max() < 6.0
    (told,) = decoded.recovered
    assert "something passed by" in told
    assert f"photographs {first + 1} (" in told
    assert f" and {first + 6} (" in told
    assert decoded.corrected == ()
    assert decoded.moved_share == 0.0
    assert np.count_nonzero(decoded.reason == Reason.MOVED) == 0
