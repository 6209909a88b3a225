"""The coverage figures of maps whose coverage is known."""

import numpy as np
import pytest

from rigwarp.reports import judge_coverage


def test_an_even_map(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    got = judge_coverage(map_of(0.9 * u, 1.2 * v), rig_of())  # lights 180 x 240 mm, content 160 x 160 mm
    assert got.lit_share == 1.0
    assert got.measured_share == 1.0
    assert got.doubled_share == 0.0
    assert got.dark_patches == 0
    assert got.mm_per_pixel_long.median == pytest.approx(1.2, rel=1e-9)
    assert got.mm_per_pixel_short.median == pytest.approx(0.9, rel=1e-9)
    assert got.anisotropy.largest == pytest.approx(4 / 3, rel=1e-9)
    assert got.evenness == pytest.approx(1.0, abs=1e-5)  # throw ratio 1000
    assert got.nine_point_evenness == pytest.approx(1.0, abs=1e-5)
    assert got.corner_to_centre == pytest.approx(1.0, abs=1e-5)
    assert got.fold_px == 0
    assert got.flipped_share == 0.0
    # 160 x 160 of 180 x 240 mm, in whole pixels: a row or column more or less of 178 x 133
    assert got.light_on_content == pytest.approx(160 * 160 / (180 * 240), abs=0.005)
    assert got.light_on_content + got.light_beside == pytest.approx(1.0, abs=1e-12)


def test_a_hole_is_found_with_its_area(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    hole = np.hypot(u - 20, v + 10) < 12
    got = judge_coverage(map_of(u, v, lit=~hole), rig_of())
    assert got.dark_patches == 1
    assert got.largest_dark_mm2 == pytest.approx(np.pi * 12**2, rel=0.05)  # perimeter 75 mm in cells of 0.8 mm
    assert got.dark_mm2 == got.largest_dark_mm2
    assert got.lit_share == pytest.approx(1 - np.pi * 12**2 / 160**2, abs=0.001)
    assert got.light_lost == pytest.approx(hole.mean(), abs=1e-6)


def test_light_falling_off_gives_the_nine_point_figures(rig_of, map_of, pixels_of):
    """Point source at height h over a square content of side s: corner points lie sqrt(2) s/3 from the middle."""
    rig = rig_of(width=400, height=400, throw=0.8)
    u, v = pixels_of(400, 400)
    h_mm = 170.0
    scale = h_mm / rig.projector.focal_px
    got = judge_coverage(map_of(scale * u, scale * v), rig)
    corner = (h_mm / np.hypot(h_mm, np.sqrt(2) * 160 / 3)) ** 3
    assert got.corner_to_centre == pytest.approx(corner, abs=0.003)  # readings are means over 4 x 4 mm
    assert got.nine_point_evenness == pytest.approx(corner, abs=0.003)
    rim = (h_mm / np.hypot(h_mm, np.sqrt(2) * 80)) ** 3
    assert got.evenness == pytest.approx(rim, abs=0.01)  # the outermost cell's centre lies inside the corner


def test_round_content_uses_the_square_inside_it(rig_of, map_of, pixels_of):
    """With light only in a disc of the content's own size all nine points are lit."""
    u, v = pixels_of(200, 200)
    rig = rig_of(content='shape = "circle"\ndiameter_mm = 160')
    got = judge_coverage(map_of(u, v, lit=np.hypot(u, v) < 81), rig)
    assert got.nine_point_evenness == pytest.approx(1.0, abs=1e-5)
    assert got.lit_share > 0.999


def test_a_dark_corner_makes_the_nine_points_zero(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    got = judge_coverage(map_of(u, v, lit=~((u > 40) & (v > 40))), rig_of())
    assert got.nine_point_evenness == 0.0
    assert got.corner_to_centre == pytest.approx(0.75, abs=1e-5)


def test_a_fold_is_counted(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    got = judge_coverage(map_of(60.0 - np.sign(0.5) * u**2 / 100.0, v), rig_of())
    assert got.fold_px == 200  # one pair per row
    assert got.flipped_share == pytest.approx(0.5, abs=0.005)
    assert got.doubled_share > 0.5


def test_mirror_images_of_different_handedness_are_no_fold(rig_of, map_of, pixels_of):
    """Two panels, one of which shows its part mirrored: two zones, no fold."""
    u, v = pixels_of(200, 200)
    right = u > 0
    got = judge_coverage(map_of(np.where(right, -u + 100.0, u), v, zone=right.astype(int)), rig_of())
    assert got.fold_px == 0
    assert got.flipped_share == 0.0


def test_inferred_parts_are_told_from_measured_ones(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    got = judge_coverage(map_of(u, v, measured=u < 40), rig_of())
    assert got.measured_share == pytest.approx(120 / 160, abs=0.005)


def test_no_light_at_all(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    got = judge_coverage(map_of(u, v, lit=np.zeros(u.shape, bool)), rig_of())
    assert got.lit_share == 0.0
    assert got.light_lost == pytest.approx(1.0)
    assert np.isnan(got.mm_per_pixel_long.median)
    assert dict(got.rows())["mm per pixel, long side"] == "-"


def test_rows_say_what_the_figures_say(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    rows = dict(judge_coverage(map_of(0.9 * u, 1.2 * v), rig_of()).rows())
    assert rows["content area lit"] == "100.0 %"
    assert rows["mm per pixel, long side"] == "1.20 to 1.20, median 1.20"
    assert rows["light turned over"] == "none"
