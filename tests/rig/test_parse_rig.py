"""rig.toml: what is accepted, and what the defaults are."""

import cv2
import numpy as np
import pytest
from full_rig import CONIC, FULL, SHORT, TRIANGLE, replaced, with_mirror

from rigwarp.errors import InputError
from rigwarp.geometry import look_at, rotation_from_degrees
from rigwarp.rig import ConicShape, FacetsShape, MeshShape, ProfileShape, Sheet, parse_rig
from rigwarp.rig.keys import DICTIONARY_SIZES


def test_every_key_is_read() -> None:
    rig = parse_rig(FULL)
    assert rig.name == "Harbour chart table"
    assert rig.projector.resolution == (1280, 720)
    assert rig.projector.lens_shift == (0.0, 0.5)
    assert rig.projector.focal_px == pytest.approx(1536.0)
    np.testing.assert_array_equal(rig.projector.placement.position_mm, [0, 0, 500])
    np.testing.assert_allclose(rig.projector.placement.rotation, np.eye(3), atol=1e-15)
    assert rig.projector.rotation_tolerance_rad == pytest.approx(np.pi / 180)
    assert rig.projector.transfer == 2.2
    assert isinstance(rig.mirror.shape, MeshShape)
    assert rig.mirror.shape.file == "mirror.stl"
    np.testing.assert_array_equal(rig.mirror.shape.reflecting_side, [0, 0, 1])
    assert rig.mirror.shape.crease_rad == pytest.approx(np.deg2rad(5))
    np.testing.assert_allclose(rig.obstacles[0].placement.rotation, rotation_from_degrees(np.array([0, 0, 90.0])))
    assert rig.table.size_mm == (500.0, 500.0)
    assert rig.content.pixels == (1080, 1080)
    assert rig.camera.device == 0
    assert rig.target.squares == (10, 7)
    assert rig.target.thickness_mm == 3.0
    assert rig.tolerance.figure_rms_um == 50.0


def test_lengths_of_the_print_tell_its_scale() -> None:
    lengths = "along_x_mm = [360.36, 360.36]\nalong_y_mm = [251.748]"
    target = parse_rig(FULL.replace("scale = [1.0, 1.0]", lengths)).target
    assert target.scale == pytest.approx((1.001, 0.999))
    assert target.along_x_mm == (360.36, 360.36)
    assert target.diagonals_mm == ()


def test_defaults() -> None:
    rig = parse_rig(SHORT)
    assert rig.name == "unnamed rig"
    assert rig.projector.lens_shift == (0.0, 0.0)
    assert (rig.projector.position_tolerance_mm, rig.projector.transfer) == (3.0, 2.2)
    assert rig.mirror.shape == ConicShape(
        radius_mm=110.0, conic_constant=0.0, coefficients_mm=(), aperture_mm=(0.0, 40.0)
    )
    np.testing.assert_array_equal(rig.mirror.placement.T_table_from_part, np.eye(4))
    assert rig.mirror.position_tolerance_mm == 1.0
    assert rig.obstacles == ()
    assert rig.content.pixels == (1080, 720)  # in the proportion of its size, so that pixels are square
    assert (rig.camera.resolution, rig.camera.device) == ((1920, 1080), 0)
    assert (rig.target.square_mm, rig.target.marker_mm, rig.target.dictionary) == (36.0, 27.0, "DICT_5X5_250")
    assert rig.target.thickness_mm == 0.1  # office paper
    assert rig.tolerance.content_p95_mm == 0.5


def test_aim_and_roll() -> None:
    rig = parse_rig(replaced("aim_mm = [0, 60, 480]", "aim_mm = [0, 60, 480]\nroll_deg = 30", SHORT))
    expected = look_at(np.array([0, -32, 403.0]), np.array([0, 60, 480.0]), np.deg2rad(30))
    np.testing.assert_allclose(rig.projector.placement.rotation, expected, atol=1e-15)


def test_srgb_and_device_names() -> None:
    text = replaced("gamma = 2.2", 'gamma = "srgb"')
    rig = parse_rig(replaced("device = 0", 'device = "rtsp://192.168.0.7/live"', text))
    assert rig.projector.transfer == "srgb"
    assert rig.camera.device == "rtsp://192.168.0.7/live"


def test_mirror_kinds() -> None:
    conic = parse_rig(with_mirror(CONIC + "\nconic_constant = -2.25\ncoefficients_mm = [1e-7, -2e-11]")).mirror.shape
    assert isinstance(conic, ConicShape)
    assert conic.coefficients_mm == (1e-7, -2e-11)
    profile = parse_rig(with_mirror('kind = "profile"\nfile = "profile.csv"')).mirror.shape
    assert profile == ProfileShape(file="profile.csv")
    bent = TRIANGLE + "\nbend_radius_mm = -300\nbend_axis = [0, 2, 0]"
    facets = parse_rig(with_mirror('kind = "facets"', rest=TRIANGLE + "\n" + bent)).mirror.shape
    assert isinstance(facets, FacetsShape)
    assert facets.facets[0].corners_mm.shape == (3, 3)
    assert facets.facets[0].bend_radius_mm is None
    assert facets.facets[1].bend_axis is not None
    np.testing.assert_allclose(facets.facets[1].bend_axis, [0, 1, 0])
    assert facets.sheet is None


def test_the_sheet_of_folded_panels() -> None:
    stock = 'kind = "facets"\nsheet_mm = 1.5'
    facets = parse_rig(with_mirror(stock, rest=TRIANGLE)).mirror.shape
    assert isinstance(facets, FacetsShape)
    assert facets.sheet == Sheet(thickness_mm=1.5, fold_radius_mm=0.0, k_factor=0.41)
    for wrong, said in (
        (stock + "\nk_factor = 0.6", "k_factor"),
        (stock.replace("1.5", "0"), "sheet_mm"),
        ('kind = "facets"\nfold_radius_mm = 2', "sheet_mm: found nothing"),
        (CONIC + "\nsheet_mm = 1", "sheet_mm"),
    ):
        with pytest.raises(InputError, match=said):
            parse_rig(with_mirror(wrong, rest="" if "conic" in wrong else TRIANGLE))


@pytest.mark.parametrize("side", ['"-x"', "[-2, 0, 0]"])
def test_reflecting_side(side: str) -> None:
    shape = parse_rig(replaced('reflecting_side = "+z"', f"reflecting_side = {side}")).mirror.shape
    assert isinstance(shape, MeshShape)
    np.testing.assert_allclose(shape.reflecting_side, [-1, 0, 0])


def test_content_exactly_as_large_as_the_table() -> None:
    assert parse_rig(replaced("diameter_mm = 480", "diameter_mm = 500")).content.size_mm == (500.0, 500.0)
    turned = replaced("size_mm = [540, 360]", "size_mm = [400, 600]", SHORT) + "rotation_deg = 90"
    assert parse_rig(turned).content.size_mm == (400.0, 600.0)


def test_corners_typed_with_one_decimal_are_flat() -> None:
    """Four corners of a plane tilted by 30 degrees, rounded to 0.1 mm: at most 0.05 mm off along z."""
    tilt = np.tan(np.deg2rad(30))
    corners = [[x, y, round(float(x * tilt), 1)] for x, y in [(0, 0), (101, 3), (98, 95), (-4, 90)]]
    parse_rig(with_mirror('kind = "facets"', rest=f"[[mirror.facet]]\ncorners_mm = {corners}"))


@pytest.mark.parametrize("k", [-4.0, -2.25, -1.0])
def test_open_conics_have_no_largest_aperture(k: float) -> None:
    parse_rig(with_mirror(CONIC.replace("[5, 40]", "[0, 5000]") + f"\nconic_constant = {k}"))


def test_dictionary_names_and_sizes_are_opencvs() -> None:
    """The list is kept by hand so that rig needs no OpenCV; OpenCV itself is the source."""
    names = {name for name in dir(cv2.aruco) if name.startswith("DICT_")}
    assert set(DICTIONARY_SIZES) == names
    for name, size in DICTIONARY_SIZES.items():
        assert cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)).bytesList.shape[0] == size
