"""The correction by hand: closed forms for what is seen where."""

import numpy as np
import pytest

from rigwarp.prewarp import UNCHANGED, Adjustment, Drag
from rigwarp.prewarp.adjustment import adjusted_canvas, masked, unadjusted_mm
from rigwarp.rig import Content
from rigwarp.rig.canvas import table_to_content

CONTENT = Content(
    shape="rectangle", size_mm=(400.0, 300.0), centre_mm=np.array([20.0, -10.0]), rotation_rad=0.4, pixels=(800, 600)
)
SPOTS = np.random.default_rng(5).uniform(-150, 150, (500, 2))


def test_no_correction_changes_nothing():
    canvas = table_to_content(CONTENT, SPOTS)
    assert adjusted_canvas(canvas, CONTENT, UNCHANGED) is canvas


def test_shift_turn_and_size_move_content_as_they_say():
    """Forward by hand: p' = c + R s (p - c) + shift. What is seen at p' must be what belongs at p; rounding only."""
    turn, scale, shift = np.radians(7.0), 1.2, np.array([3.0, -4.0])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    seen = (SPOTS - CONTENT.centre_mm) @ (scale * rotation).T + CONTENT.centre_mm + shift
    adjustment = Adjustment(shift_mm=(3.0, -4.0), turn_deg=7.0, scale=1.2)
    np.testing.assert_allclose(unadjusted_mm(seen, CONTENT, adjustment), SPOTS, atol=1e-9)
    canvas = adjusted_canvas(table_to_content(CONTENT, seen), CONTENT, adjustment)
    np.testing.assert_allclose(canvas, table_to_content(CONTENT, SPOTS), atol=1e-9)


def test_a_dragged_spot_lands_exactly_where_it_was_dragged():
    """Also when two drags lie over each other: the second takes along what is seen then."""
    first = Drag(at_mm=(10.0, 20.0), by_mm=(12.0, -5.0), reach_mm=60.0)
    at = np.array([30.0, 10.0])
    before = unadjusted_mm(at, CONTENT, Adjustment(drags=(first,)))
    second = Drag(at_mm=(30.0, 10.0), by_mm=(-4.0, 9.0), reach_mm=40.0)
    both = Adjustment(drags=(first, second))
    np.testing.assert_allclose(unadjusted_mm(np.array([22.0, 15.0]), CONTENT, Adjustment(drags=(first,))), [10, 20])
    np.testing.assert_allclose(unadjusted_mm(at + np.array([-4.0, 9.0]), CONTENT, both), before, atol=1e-12)
    far = np.array([[200.0, 20.0], [22.0, 80.0]])  # beyond the reach
    np.testing.assert_allclose(unadjusted_mm(far, CONTENT, Adjustment(drags=(first,))), far)


@pytest.mark.parametrize("length_mm", [1.0, 30.0, 150.0])
def test_no_drag_folds_the_picture(length_mm):
    """The derivative of the inverse keeps its sign everywhere, also where the drag is longer than its reach."""
    drag = Drag(at_mm=(0.0, 0.0), by_mm=(length_mm, 0.0), reach_mm=20.0)
    y, x = np.mgrid[-320:320:4.0, -320:320:4.0]
    back = unadjusted_mm(np.stack([x, y], -1), CONTENT, Adjustment(drags=(drag,)))
    du, dv = np.gradient(back, 4.0, axis=1), np.gradient(back, 4.0, axis=0)
    assert (du[..., 0] * dv[..., 1] - du[..., 1] * dv[..., 0]).min() > 0.2


def test_masks_are_polygons_by_the_even_odd_rule():
    """Area by the shoelace formula, counted on a 1 mm raster; 1 % is the raster's own error."""
    corners = ((-50.0, -40.0), (60.0, -30.0), (40.0, 50.0), (0.0, 0.0), (-45.0, 35.0))
    y, x = np.mgrid[-100:100, -100:100] + 0.5
    canvas = table_to_content(CONTENT, np.stack([x, y], -1))
    canvas[0, 0] = np.nan
    hidden = masked(canvas, CONTENT, Adjustment(masks=(corners,)))
    a, b = np.array(corners), np.roll(np.array(corners), -1, axis=0)
    area = abs(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])) / 2
    assert hidden.sum() == pytest.approx(area, rel=0.01)
    assert not hidden[0, 0]
