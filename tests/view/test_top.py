"""The straight top view of two flat wings, whose every place and post is known in closed form."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from two_wings import TwoWings, top

from rigwarp.errors import InputError, MeasurementError
from rigwarp.files.top_file import read_top, write_top
from rigwarp.jobs.view.top import top_cautions
from rigwarp.view.places import places_seen, top_places_mm
from rigwarp.view.seams import NONE
from rigwarp.view.top import CLEAR_MM, build_top

LEANS = np.array([[1199.5, 539.5], [1499.5, 239.5], [1799.5, 939.5], [119.5, 939.5]])


def test_closed_form_itself_has_the_published_check_values():
    """The flat mirror as a pinhole at C - 2 ((C - P0) . n) n, worked out apart from this code to six decimals."""
    table, lean = TwoWings().table(LEANS)
    expected = [[398.319546, 0], [667.484877, -210.032700], [1038.550731, 333.053008], [-1038.550731, 333.053008]]
    assert table == pytest.approx(np.array(expected), abs=1e-5)
    leans = [[0.831029, 0], [1.238975, -0.318324], [1.801360, 0.504773], [-1.801360, 0.504773]]
    assert lean == pytest.approx(np.array(leans), abs=1e-5)


def test_every_place_is_found_where_the_mirrored_pinhole_shows_it(rising):
    view, spec = rising.view_map(), top(size_mm=(1200, 600), mm_per_pixel=5.0)
    places = top_places_mm(spec).reshape(-1, 2)
    for zone in places_seen(view, spec):
        exact = rising.pixel(np.column_stack([places, np.zeros(len(places))]), zone.zone)
        shown, seen = rising.shows(exact, zone.zone), zone.seen.ravel()
        assert not np.any(seen & ~shown)
        # between the outermost pixel centres of a zone and its true edge nothing is known
        edge = np.abs(exact - rising.centre)[:, 0] < 1.0
        assert not np.any(shown & ~seen & ~edge)
        # bilinear between pixels of 1.5 mm: some 1e-3 px of curvature
        assert np.abs(exact[seen] - zone.pixels_px.reshape(-1, 2)[seen]).max() < 3e-3
        assert zone.lean.reshape(-1, 2)[seen] == pytest.approx(rising.table(exact[seen])[1], abs=2e-4)  # to 1/32 px


def test_a_photograph_becomes_the_plan_of_the_table(falling, falling_top):
    """A smooth drawing on the table comes out as drawn, mirrored wings and seam included."""

    def drawing(mm):
        return 128 + 60 * np.sin(mm[..., 0] / 40) + 60 * np.sin(mm[..., 1] / 55)

    for blend in (False, True):
        picture = falling_top.apply(falling.photograph(drawing), blend=blend)
        plan = drawing(top_places_mm(falling_top.top))
        seen = cv2.erode((falling_top.zone != NONE).astype(np.uint8), np.ones((5, 5))) > 0
        assert np.count_nonzero(seen) > 30_000
        assert np.abs(picture[seen] - plan[seen]).max() <= 4.0, blend
        dark = falling_top.blended.of(np.full((270, 480), 255, np.uint8)) == 0 if blend else falling_top.zone == NONE
        assert not picture[dark].any()


def shown_by(wings, maps, height_mm, *, blend):
    """How often the top view shows the tips of posts of one height all over the table, by the mirrored pinholes."""
    spec = maps.top
    width, height = spec.pixels
    feet = np.random.default_rng(4).uniform(-0.5, 0.5, (20_000, 2)) * spec.size_mm
    tips = np.column_stack([feet, np.full(len(feet), height_mm)])
    times = np.zeros(len(feet), int)
    for wing in (0, 1):
        pixels = wings.pixel(tips, wing)
        table, _ = wings.table(pixels)
        at = np.nan_to_num(np.column_stack([table[:, 0], -table[:, 1]]) / spec.mm_per_pixel, nan=1e6)
        column, row = np.rint(at + np.array([width - 1, height - 1]) / 2).clip(-1, 1e5).astype(int).T
        there = wings.shows(pixels, wing) & (row >= 0) & (row < height) & (column >= 0) & (column < width)
        row, column = np.where(there, row, 0), np.where(there, column, 0)
        times += there & ((maps.zone[row, column] == wing) | blend)
    return times


@pytest.mark.parametrize("height_mm", [2.0, 10.0, 30.0, CLEAR_MM])
def test_nothing_that_stands_on_the_table_is_seen_twice(rising, rising_top, falling, falling_top, height_mm):
    for wings, maps in ((rising, rising_top), (falling, falling_top)):
        times = shown_by(wings, maps, height_mm, blend=False)
        assert times.max() == 1
        assert np.count_nonzero(times) > 5000
    assert np.count_nonzero(shown_by(falling, falling_top, height_mm, blend=True) == 2) > 2000, "blended it would be"


def test_height_above_which_things_are_doubled_is_told(rising, rising_top):
    """Wings that rise: neither sees the 462 mm between x = -231 and 231, whose edges lean by 0.579 either way."""
    assert rising_top.doubles_mm == pytest.approx(2 * 230.94 / (2 * 0.57735), rel=0.02)
    assert shown_by(rising, rising_top, 0.9 * rising_top.doubles_mm, blend=False).max() == 1


def test_seam_lies_where_the_leans_differ_least(falling):
    """Leans made to agree along x = 60: the seam goes there, away from the middle where it would be by symmetry."""
    view = falling.view_map()
    towards = 0.02 + 0.4 * np.clip(np.abs(view.x_mm - 60.0) / 100.0, 0.0, 1.0)
    lean_x = np.where(view.zone == 0, -towards, towards) / 2
    maps = build_top(_with_lean(view, lean_x), top(size_mm=(1200, 600)))
    middle = maps.zone[120:180]
    change = np.argmax((middle[:, :-1] == 1) & (middle[:, 1:] == 0), axis=1)
    assert top_places_mm(maps.top)[0, change, 0] == pytest.approx(np.full(len(change), 60.0), abs=12.0)


def _with_lean(view, lean_x):
    return replace(view, lean_x=np.where(view.zone >= 0, lean_x, np.nan), lean_y=np.where(view.zone >= 0, 0.0, np.nan))


def test_a_top_view_of_which_little_is_seen_and_seams_that_double_are_told(falling, rising_top):
    little = build_top(falling.view_map(), top(size_mm=(1200, 600), mm_per_pixel=8.0, centre_mm=(840, 0)))
    assert 0.0 < little.seen < 0.1
    (told,) = top_cautions(little)
    assert "only" in told
    assert "1200 x 600 mm" in told
    (told,) = top_cautions(rising_top)
    assert "higher than 4" in told


def test_what_was_written_is_read_again(falling, falling_top, tmp_path):
    write_top(tmp_path / "top.npz", falling_top, rig_hash="x")
    again = read_top(tmp_path / "top.npz", resolution=(480, 270))
    frame = np.random.default_rng(2).integers(0, 256, (270, 480, 3), dtype=np.uint8)
    for blend in (False, True):
        assert np.array_equal(again.apply(frame, blend=blend), falling_top.apply(frame, blend=blend))
    assert (again.top.pixels, again.doubles_mm, again.seam_mm) == (
        (600, 300),
        falling_top.doubles_mm,
        falling_top.seam_mm,
    )
    with pytest.raises(InputError, match="480 x 270 pixels, expected the view's 1920 x 1080"):
        read_top(tmp_path / "top.npz", resolution=(1920, 1080))


def test_pictures_of_another_size_and_views_elsewhere_are_refused(falling, falling_top):
    with pytest.raises(InputError, match="640 x 480 pixels, expected the view camera's 480 x 270"):
        falling_top.apply(np.zeros((480, 640), np.uint8))
    with pytest.raises(MeasurementError, match="sees nothing of the 100 x 100 mm around"):
        build_top(falling.view_map(), top(size_mm=(100, 100), centre_mm=(5000, 0)))
