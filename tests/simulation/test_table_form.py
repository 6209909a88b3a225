"""A table that is not flat, and a lamp that has aged."""

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.simulation.table import TableForm

BOWED = TableForm(height_mm=10.0, bow_mm=2.0, half_mm=(200.0, 100.0))


def test_rays_meet_the_paraboloid_where_the_quadratic_says():
    """x = t, y = 0, z = 400 - 2 t on z = 10 + 2 (1 - t^2 / 200^2): t by the quadratic formula."""
    a, b, c = 2.0 / 200.0**2, -2.0, 400.0 - 12.0
    t = (-b - np.sqrt(b * b - 4 * a * c)) / (2 * a)
    zero, one = np.zeros(1), np.ones(1)
    reach = BOWED.reach((zero, zero, 400.0 * one), (one, zero, -2.0 * one))
    np.testing.assert_allclose(reach, t, atol=1e-9)  # mm per unit of x; float64


def test_a_flat_table_is_a_plane():
    flat, x = TableForm.flat(7.0), np.linspace(-5.0, 5.0, 3)
    np.testing.assert_array_equal(flat.z_mm(x, x), [7.0, 7.0, 7.0])


def test_light_falls_short_on_a_raised_middle(make_virtual):
    """A bow of 1 mm moves a spot towards the foot of its ray by 1 mm times the ray's slope (check values 5.3)."""
    flat, bowed = make_virtual().true_map(), make_virtual(extra="table_bow_mm = 1.0\n").true_map()
    high = make_virtual(extra="table_height_error_mm = 1.0\n").true_map()
    radius = np.hypot(flat.x_mm, flat.y_mm)
    share = 1.0 - (radius / 250.0) ** 2
    known = (radius > 20.0) & (radius < 200.0) & np.isfinite(bowed.x_mm) & np.isfinite(high.x_mm)
    lost = np.hypot(bowed.x_mm, bowed.y_mm) - radius, np.hypot(high.x_mm, high.y_mm) - radius
    # the bow is that of the raised spot, not of the flat one: second order, 1 % of a shift of up to 1 mm
    np.testing.assert_allclose(lost[0][known], (share * lost[1])[known], atol=0.01)
    assert np.abs(lost[1][known]).max() > 0.2


def test_the_sheet_follows_the_table(make_virtual):
    """The sheet's photograph changes with a bow, and that of the board in the hand does not."""
    flat, bowed = make_virtual(), make_virtual(extra="table_bow_mm = 3.0\n")
    np.testing.assert_array_equal(flat.board_photos(1)[0], bowed.board_photos(1)[0])
    assert np.count_nonzero(flat.table_sheet_photo() != bowed.table_sheet_photo()) > 1000


def test_an_old_lamp_gives_less_light(make_virtual):
    """Linear camera: the white photograph has 0.8 of its light, to the rounding of 8-bit codes; the exposure stays."""
    response = "focal_px = 450\nresponse = 1.0"
    photos = []
    for lamp in ("", "\nlamp = 0.8"):
        rig = make_virtual(replace={"focal_px = 450": response, "black_level = 0\n": f"black_level = 0{lamp}\n"})
        rig.display.show(np.full(rig.display.resolution[::-1], 255, np.uint8))
        photos.append(rig.camera.grab().astype(float))
    lit = photos[0] > 100
    assert lit.any()
    np.testing.assert_allclose(photos[1][lit], 0.8 * photos[0][lit], atol=1.0)  # code values: two roundings of a half


@pytest.mark.parametrize(
    ("place", "wrong"), [("black_level = 0\n", "lamp = 0"), ("texture = 0\n", "table_bow_mm = 50")]
)
def test_wrong_values_are_refused(make_virtual, place, wrong):
    with pytest.raises(InputError, match=wrong.split(" ")[0]):
        make_virtual(replace={place: f"{place}{wrong}\n"})


def test_a_tilted_board_is_met_where_the_plane_says():
    """A ray (t, 0, 400 - 2 t) meets z = 60 + 0.01 x + 0.02 y at t = 340 / 2.01."""
    board = TableForm(height_mm=60.0, bow_mm=0.0, half_mm=(1.0, 1.0), tilt=(0.01, 0.02))
    zero, one = np.zeros(1), np.ones(1)
    reach = board.reach((zero, zero, 400.0 * one), (one, zero, -2.0 * one))
    np.testing.assert_allclose(reach, 340.0 / 2.01, rtol=1e-12)
    np.testing.assert_allclose(board.z_mm(3.0 * one, -2.0 * one), 60.0 + 0.03 - 0.04)


def test_a_raised_rig_is_the_same_rig_with_a_higher_table(make_virtual):
    """A board of 30 mm that is really 30.5 mm lights the spots that a table 30.5 mm higher does."""
    raised = make_virtual(extra="board_height_error_mm = 0.5\n").raised(30.0).true_map()
    higher = make_virtual(extra="table_height_error_mm = 30.5\n").true_map()
    # the raised rig keeps its focus, the other is focused anew: rays of the pupil part by some 0.1 mm, their mean less
    np.testing.assert_allclose(raised.x_mm, higher.x_mm, atol=0.02)
