"""The seam between two zones: every spot is drawn once, softly, and mostly by the sharper zone."""

import numpy as np
import pytest

from rigwarp.geometry import Array
from rigwarp.prewarp.gain import blending_weights

PIXELS = (400, 300)


def two_halves(overlap_px: float, *, right_scale: float = 1.0) -> tuple[Array, np.ndarray]:
    """Projector 300 x 200; its left and right halves light the content from both sides and overlap in the middle."""
    v, u = np.mgrid[:200, :300].astype(float)
    zone = (u >= 150).astype(np.int16)
    reach = 200 + overlap_px / 2
    left = u / 149 * reach
    right = PIXELS[0] - (299 - u) / 149 * reach * right_scale
    x = np.where(zone == 0, left, right)
    return np.stack([x, v / 199 * 299], axis=-1), zone


def light_on_content(content_px: Array, zone: np.ndarray, weights: Array, row: int = 100) -> tuple[Array, Array]:
    """Both zones' weights along one content row, at content columns 10..389."""
    at = np.arange(10.0, 390.0)
    both = [
        np.interp(at, content_px[row][zone[row] == n, 0], weights[row][zone[row] == n], left=0.0, right=0.0)
        for n in (0, 1)
    ]
    return both[0], both[1]


@pytest.mark.parametrize("overlap_px", [12.0, 60.0])
def test_weights_add_up_to_one_everywhere(overlap_px: float) -> None:
    content, zone = two_halves(overlap_px)
    left, right = light_on_content(content, zone, blending_weights(content, zone, PIXELS))
    inner = left + right
    # cells are one projector pixel wide (1.4 content pixels), so an edge is known to about that
    assert np.abs(inner - 1.0).mean() < 0.01
    assert inner.max() < 1.0 + 2.2 / overlap_px
    assert inner.min() > 1.0 - 2.2 / overlap_px


def test_a_wide_overlap_is_not_drawn_by_both() -> None:
    content, zone = two_halves(120.0)
    left, right = light_on_content(content, zone, blending_weights(content, zone, PIXELS))
    shared = np.count_nonzero((left > 0.02) & (right > 0.02))
    assert shared < 25  # content pixels: the seam of 12 projector pixels is 17 wide, the overlap 120
    assert np.all(np.diff(left) < 0.02)  # one step down, no waves
    assert np.all(np.diff(right) > -0.02)


def test_the_sharper_zone_gets_more_of_the_overlap() -> None:
    content, zone = two_halves(100.0, right_scale=0.7)
    content[..., 0] = np.where(zone == 1, PIXELS[0] - (299 - np.mgrid[:200, :300][1]) / 149 * 175.0, content[..., 0])
    left, right = light_on_content(content, zone, blending_weights(content, zone, PIXELS))
    both = slice(225 - 10, 250 - 10)  # content columns that both reach
    assert right[both].sum() > 1.1 * left[both].sum()


def test_a_single_zone_is_left_alone() -> None:
    content, zone = two_halves(40.0)
    assert np.all(blending_weights(content, np.zeros_like(zone), PIXELS) == 1.0)


def test_zones_that_do_not_meet_are_left_alone() -> None:
    content, zone = two_halves(-30.0)
    assert blending_weights(content, zone, PIXELS) == pytest.approx(
        1.0, abs=1e-12
    )  # interpolation between equal numbers
