"""Where corrected content is seen: the inverse of where what is seen belongs."""

import numpy as np
import pytest

from rigwarp.prewarp import UNCHANGED, Adjustment, Drag
from rigwarp.prewarp.adjustment import adjusted_mm, hidden_mm, unadjusted_mm
from rigwarp.rig import Content

CONTENT = Content(
    shape="circle", size_mm=(400.0, 400.0), centre_mm=np.array([10.0, -5.0]), rotation_rad=0.1, pixels=(400, 400)
)
SPOTS = np.random.default_rng(2).uniform(-190.0, 190.0, (500, 2))


def test_shift_turn_and_scale_in_closed_form():
    """A quarter turn about (10, -5), doubled, then shifted by (3, 4): (20, -5) goes to (10, 15) + (3, 4)."""
    by_hand = Adjustment(shift_mm=(3.0, 4.0), turn_deg=90.0, scale=2.0)
    np.testing.assert_allclose(adjusted_mm(np.array([20.0, -5.0]), CONTENT, by_hand), [13.0, 19.0], atol=1e-12)


def test_a_dragged_spot_goes_where_it_was_taken():
    drag = Drag(at_mm=(50.0, 20.0), by_mm=(8.0, -6.0))
    moved = adjusted_mm(np.array([[50.0, 20.0], [150.0, 20.0]]), CONTENT, Adjustment(drags=(drag,)))
    np.testing.assert_allclose(moved, [[58.0, 14.0], [150.0, 20.0]], atol=1e-9)


@pytest.mark.parametrize(
    "by_hand",
    [
        UNCHANGED,
        Adjustment(shift_mm=(12.0, -7.0), turn_deg=33.0, scale=0.9),
        Adjustment(
            turn_deg=-5.0,
            drags=(
                Drag(at_mm=(0.0, 0.0), by_mm=(25.0, 10.0)),
                Drag(at_mm=(30.0, 10.0), by_mm=(-12.0, 9.0), reach_mm=20.0),
            ),
        ),
    ],
)
def test_there_and_back(by_hand):
    """1e-6 mm: a hundred rounds of a contraction by 0.77 leave 4e-12 of a drag's length."""
    seen = adjusted_mm(SPOTS, CONTENT, by_hand)
    np.testing.assert_allclose(unadjusted_mm(seen, CONTENT, by_hand), SPOTS, atol=1e-6)


def test_masks_hide_what_lies_in_them():
    square = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
    places = np.array([[5.0, 5.0], [15.0, 5.0], [np.nan, 5.0]])
    np.testing.assert_array_equal(hidden_mm(places, Adjustment(masks=(square,))), [True, False, False])
    assert not hidden_mm(places, UNCHANGED).any()
