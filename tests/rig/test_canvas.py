"""Content pixels <-> table millimetres: hand-computed corners, and what counts as inside."""

import numpy as np
import pytest

from rigwarp.rig import Content, Table, content_to_table, inside_content, inside_table, outline_mm, table_to_content

PLAIN = Content(shape="rectangle", size_mm=(400.0, 300.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(800, 600))
TURNED = Content(
    shape="rectangle",
    size_mm=(400.0, 200.0),
    centre_mm=np.array([10.0, -20.0]),
    rotation_rad=np.pi / 2,
    pixels=(80, 30),
)
ROUND = Content(
    shape="circle", size_mm=(480.0, 480.0), centre_mm=np.array([5.0, 0.0]), rotation_rad=0.3, pixels=(1080, 1080)
)
EXACT_MM = 1e-9  # a few roundings of numbers below 1000


def test_corners_of_the_picture_are_corners_of_the_area() -> None:
    """A picture of width W covers [-0.5, W - 0.5]; its top edge lies towards +y, its right edge towards +x."""
    corners_px = np.array([[-0.5, -0.5], [799.5, -0.5], [799.5, 599.5], [-0.5, 599.5]])
    expected_mm = [[-200, 150], [200, 150], [200, -150], [-200, -150]]
    np.testing.assert_allclose(content_to_table(PLAIN, corners_px), expected_mm, atol=EXACT_MM)


def test_first_pixel_centre() -> None:
    """Pixels of 0.5 mm: the centre of the first one is 0.25 mm inside the corner."""
    np.testing.assert_allclose(content_to_table(PLAIN, np.zeros(2)), [-199.75, 149.75], atol=EXACT_MM)


def test_quarter_turn_is_counter_clockwise() -> None:
    """Turned by +90 degrees the top edge lies towards -x and the right edge towards +y of the table."""
    top_middle, right_middle = np.array([39.5, -0.5]), np.array([79.5, 14.5])
    np.testing.assert_allclose(content_to_table(TURNED, top_middle), [10 - 100, -20], atol=EXACT_MM)
    np.testing.assert_allclose(content_to_table(TURNED, right_middle), [10, -20 + 200], atol=EXACT_MM)


@pytest.mark.parametrize("content", [PLAIN, TURNED, ROUND], ids=["plain", "turned", "round"])
def test_round_trip(content: Content) -> None:
    rng = np.random.default_rng(5)
    pixels = rng.uniform(-100, 1200, (7, 11, 2))
    back = table_to_content(content, content_to_table(content, pixels))
    np.testing.assert_allclose(back, pixels, atol=EXACT_MM)


def test_nan_stays_nan() -> None:
    assert np.isnan(content_to_table(PLAIN, np.full((3, 2), np.nan))).all()
    assert not inside_content(PLAIN, np.array([[np.nan, 0.0], [0.0, 0.0]]))[0]


def test_inside() -> None:
    at_mm = np.array([[0, 0], [199.9, 149.9], [200.1, 0], [0, -150.1]])
    np.testing.assert_array_equal(inside_content(PLAIN, at_mm), [True, True, False, False])
    np.testing.assert_array_equal(inside_content(TURNED, np.array([[109, 179], [111, 0], [0, 181]])), [1, 0, 0])
    np.testing.assert_array_equal(inside_content(ROUND, np.array([[244.9, 0], [-235.1, 0], [175, 175]])), [1, 0, 0])
    table = Table(shape="circle", size_mm=(500.0, 500.0), height_mm=3.0)
    np.testing.assert_array_equal(inside_table(table, np.array([[250, 0], [177, 177], [176, 176]])), [1, 0, 1])


@pytest.mark.parametrize("content", [PLAIN, TURNED, ROUND], ids=["plain", "turned", "round"])
def test_outline_lies_on_the_edge(content: Content) -> None:
    edge_mm = outline_mm(content, 360)
    inwards = content.centre_mm + 0.999 * (edge_mm - content.centre_mm)
    outwards = content.centre_mm + 1.001 * (edge_mm - content.centre_mm)
    assert inside_content(content, inwards).all()
    assert not inside_content(content, outwards).any()
