"""Figures: whole PNGs of the common width that show what they should; judged by their pixels, never by eye alone."""

import ast
from pathlib import Path

import cv2
import matplotlib as mpl
import numpy as np
import pytest

import rigwarp.reports
from rigwarp.reports.figures import mirror as figures_mirror
from rigwarp.reports.figures import photos as figures_photos
from rigwarp.reports.figures import residuals as figures_residuals
from rigwarp.reports.figures import table_map as figures_map
from rigwarp.reports.figures.style import BLUE, GREEN, SKY, VERMILION
from rigwarp.rig.canvas import content_outline, table_outline

WIDTH_PX = 1200


def picture(png):
    """(H, W, 3) RGB."""
    decoded = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert decoded is not None
    assert decoded.shape[1] == WIDTH_PX
    return decoded[..., ::-1].astype(int)


def count(image, colour, *, within=3):
    """Pixels of a colour given as "#rrggbb"."""
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    return int((np.abs(image - wanted).max(axis=-1) <= within).sum())


@pytest.fixture
def even(rig_of, map_of, pixels_of):
    """A rig and a map that lights its table evenly."""
    u, v = pixels_of(200, 200)
    return rig_of(), map_of(1.1 * u, 1.1 * v)


def test_grid_has_one_colour_per_zone(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    image = picture(figures_map.table_grid(map_of(u, v, zone=(u > 0).astype(int)), rig_of()))
    assert count(image, BLUE) > 500
    assert count(image, VERMILION) > 500
    one = picture(figures_map.table_grid(map_of(u, v), rig_of()))
    assert count(one, VERMILION) == 0


@pytest.mark.parametrize("draw", ["mm_per_pixel", "irradiance", "sigma_map"])
def test_value_maps_fill_the_lit_part(even, map_of, pixels_of, draw):
    rig, lit = even
    u, v = pixels_of(200, 200)
    dark = map_of(u, v, lit=np.zeros(u.shape, bool))
    full, empty = (picture(getattr(figures_map, draw)(mapped, rig)) for mapped in (lit, dark))
    coloured = [(image.max(axis=-1) - image.min(axis=-1) > 30).mean() for image in (full, empty)]
    assert coloured[0] > 0.2
    assert coloured[1] < 0.05  # the colour bar is left


def test_inferred_parts_are_hatched(even, map_of, pixels_of):
    rig, _ = even
    u, v = pixels_of(200, 200)
    plain, hatched = (picture(figures_map.sigma_map(map_of(u, v, measured=m), rig)) for m in (True, u < 0))
    assert (hatched[:700].sum(axis=-1) < 60).sum() > (plain[:700].sum(axis=-1) < 60).sum() + 3000


def test_light_shares_are_coloured_by_fate(even):
    rig, mapped = even
    image = picture(figures_map.design_light(mapped, rig))
    # The content is 160 x 160 mm in a picture of 220 x 220 mm, the table 200 x 200.
    green, sky = count(image, GREEN), count(image, SKY)
    assert green / sky == pytest.approx(160**2 / (200**2 - 160**2), rel=0.1)


def test_residual_arrows_and_what_is_missing(rig_of, rng):
    rig = rig_of()
    points = rng.uniform(-80, 80, (60, 2))
    some = figures_residuals.Residuals(points_mm=points, vectors_mm=rng.normal(0, 2.0, points.shape))
    both = picture(figures_residuals.residual_pair(some, some, rig))
    assert count(both, VERMILION) > 500
    assert count(both, BLUE) > 500
    without = picture(figures_residuals.residual_pair(some, None, rig))
    assert count(without, BLUE) == 0


def test_residuals_of_nothing_or_of_nan_still_make_a_picture(rig_of):
    rig = rig_of()
    nothing = np.zeros((0, 2))
    picture(figures_residuals.residual_vectors(nothing, nothing, rig, "none"))
    points = np.array([[0.0, 0.0], [10.0, 0.0], [0.0, np.nan]])
    picture(figures_residuals.residual_vectors(points, np.full_like(points, np.nan), rig, "NaN"))
    picture(figures_residuals.residual_vectors(points, np.zeros_like(points), rig, "perfect"))


@pytest.mark.parametrize(
    ("length", "nice"),
    [(1.0, 1.0), (0.14, 0.1), (0.16, 0.2), (0.3, 0.2), (0.35, 0.5), (7.2, 10.0), (0.0, 1.0), (np.nan, 1.0)],
)
def test_key_arrow_has_a_round_length(length, nice):
    assert figures_residuals.nice_length(length) == pytest.approx(nice)


def test_mirror_maps_show_hills_red_and_dips_blue():
    x = np.linspace(-30.0, 30.0, 61)
    height = np.where(x > 0, 40.0, -40.0) * np.ones((61, 1))
    image = picture(figures_mirror.deviation_map(x, x, height, np.full_like(height, 5.0)))
    red, blue = image[..., 0] - image[..., 2] > 50, image[..., 2] - image[..., 0] > 50
    assert red.sum() > 20_000
    assert blue.sum() > 20_000
    assert np.nonzero(red)[1].mean() > np.nonzero(blue[:, :600])[1].mean()  # +x is to the right
    picture(figures_mirror.slope_maps(x, x, height, height))


def test_taking_out_power_leaves_the_rest():
    """Piston, tilt and power vanish; astigmatism, which is orthogonal to them on a symmetric grid, stays."""
    x = np.linspace(-30.0, 30.0, 31)
    gx, gy = np.meshgrid(x, x)
    rest = 0.05 * (gx**2 - gy**2)
    got = figures_mirror.without_power(x, x, 7.0 + 0.3 * gx - 0.2 * gy + 0.1 * (gx**2 + gy**2) + rest)
    assert np.abs(got - rest).max() < 1e-9  # um; rounding
    assert np.isnan(figures_mirror.without_power(x, x, np.full_like(rest, np.nan))).all()


def test_mirror_figures_without_data():
    x = np.linspace(-30.0, 30.0, 11)
    nothing = np.full((11, 11), np.nan)
    picture(figures_mirror.deviation_map(x, x, nothing))
    picture(figures_mirror.slope_maps(x, x, nothing, nothing))
    picture(figures_mirror.zernike_bars([]))


def test_zernike_bars_are_red_for_plus_and_blue_for_minus():
    image = picture(figures_mirror.zernike_bars([(2, 0, 30.0, 2.0), (2, 2, -10.0, np.nan)]))
    assert count(image, VERMILION) / count(image, BLUE) == pytest.approx(3.0, rel=0.15)  # whiskers cover a little


def test_term_names():
    assert figures_mirror.term_name(2, 0) == "Z(2, 0) power"
    assert figures_mirror.term_name(7, -3) == "Z(7, -3)"


def test_photos_are_cut_to_the_content(rig_of, camera_above):
    """Overhead camera, 1 mm per pixel: content of 160 mm around pixel (319.5, 239.5) and a margin of 6 %."""
    outline = figures_photos.content_outline_px(camera_above(), rig_of())
    rows, columns = figures_photos.crop_box(outline, (480, 640))
    assert columns.start == pytest.approx(319.5 - 80 - 9.6, abs=1)
    assert columns.stop == pytest.approx(319.5 + 80 + 9.6 + 1, abs=1)
    assert rows.stop - rows.start == pytest.approx(columns.stop - columns.start, abs=1)


def test_a_content_area_out_of_the_photograph_shows_the_whole_photograph(camera_above, rig_of):
    assert figures_photos.crop_box(np.full((5, 2), np.nan), (480, 640)) is None
    assert figures_photos.crop_box(np.array([[900.0, 900.0], [950.0, 950.0]]), (480, 640)) is None
    photo = np.full((480, 640), 128, np.uint8)
    image = picture(figures_photos.photo_pair(photo, None, None, rig_of()))
    assert count(image, "#808080") > 50_000


@pytest.mark.parametrize("white", [np.uint8(255), np.uint16(65535)])
def test_grey_values_are_shown_as_they_are(rig_of, white):
    half = np.full((48, 64), white // 2 + white % 2, white.dtype)
    image = picture(figures_photos.photo_pair(half, half, None, rig_of()))
    assert count(image, "#808080", within=1) > 50_000


def test_outlines_of_turned_content(rig_of):
    rig = rig_of(content='shape = "rectangle"\nsize_mm = [100, 40]\ncentre_mm = [10, 20]\nrotation_deg = 90')
    edge = content_outline(rig.content)
    assert np.abs(edge[0] - edge[-1]).max() < 1e-9
    assert np.abs(edge.min(axis=0) - [-10.0, -30.0]).max() < 1e-9
    assert np.abs(edge.max(axis=0) - [30.0, 70.0]).max() < 1e-9
    assert np.abs(np.abs(table_outline(rig.table)).max(axis=1) - 100.0).max() < 1e-9


def test_drawing_leaves_no_trace_in_the_drawing_library(even):
    before = dict(mpl.rcParams)
    figures_map.table_grid(even[1], even[0])
    assert dict(mpl.rcParams) == before


def test_no_module_uses_the_drawing_librarys_global_state():
    for path in Path(rigwarp.reports.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            if isinstance(node, ast.ImportFrom):
                names = [f"{node.module}.{name}" for name in names]
            assert not any("pyplot" in name or "pylab" in name for name in names), path
