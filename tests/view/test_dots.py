"""Printed dots through a view's map: two flat wings in closed form, so that every dot's place is exact."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from two_wings import small_wings

from rigwarp.errors import InputError, MeasurementError
from rigwarp.view.printed.dots import check_dots_through, find_dots

PITCH_MM, TURN, MIDDLE = 30.0, 0.3, np.array([12.0, -7.0])
HALF = np.array([7, 4])
WINGS = small_wings()


def drawn(mm):
    """Paper with 15 x 9 black dots on a grey table, the edge of each 1 mm soft."""
    c, s = np.cos(TURN), np.sin(TURN)
    at = (mm - MIDDLE) @ np.array([[c, -s], [s, c]]) / PITCH_MM
    node = np.clip(np.round(at), -HALF, HALF)
    away_mm = PITCH_MM * np.linalg.norm(at - node, axis=-1)
    light = 30.0 + 170.0 * np.clip(away_mm - PITCH_MM / 4 + 0.5, 0.0, 1.0)
    return np.where((np.abs(at) < HALF + 1.0).all(axis=-1), light, 110.0)


@pytest.fixture(scope="module")
def photo():
    noise = np.random.default_rng(2).normal(0.0, 1.5, WINGS.size[::-1])
    return np.clip(cv2.GaussianBlur(WINGS.photograph(drawn), (0, 0), 0.5) + noise, 0, 255).astype(np.uint8)


def test_dots_lie_where_the_mirrored_pinholes_show_them(photo):
    """Over both wings, slanting up to 37 degrees: to a twentieth of a pixel, and no bias with the slant."""
    view = WINGS.view_map()
    check = check_dots_through(view, photo, number=3, pitch_mm=PITCH_MM, height_mm=0.0)
    assert (check.photo, check.outside) == (3, 0)
    assert sorted(np.unique(check.zone)) == [0, 1]
    assert len(check.error_mm) > 110
    per_px = np.nanmedian(np.linalg.norm(np.diff(view.table_mm, axis=1), axis=-1))
    assert np.sqrt(np.mean(check.error_mm**2)) < 0.05 * per_px
    assert check.scale == pytest.approx(1.0, abs=5e-4)  # a fiftieth of a pixel at the rim
    assert check.rotation_rad % (np.pi / 2) == pytest.approx(TURN, abs=5e-4)
    seen = find_dots(view, photo, diameter_mm=PITCH_MM / 2, height_mm=0.0)
    c, s = np.cos(TURN), np.sin(TURN)
    at = (seen.table_mm - MIDDLE) @ np.array([[c, -s], [s, c]]) / PITCH_MM
    assert np.abs(at - np.round(at)).max() * PITCH_MM < 0.25 * per_px
    assert (np.abs(np.round(at)) <= HALF).all()


def test_a_wing_that_was_touched_and_a_map_that_is_stretched_show(photo):
    view = WINGS.view_map()
    moved = replace(view, x_mm=np.where(view.zone == 0, view.x_mm + 1.5, view.x_mm))
    off = check_dots_through(moved, photo, number=0, pitch_mm=PITCH_MM, height_mm=0.0)
    apart = off.error_mm[off.zone == 0].mean(axis=0) - off.error_mm[off.zone == 1].mean(axis=0)
    assert apart == pytest.approx([1.5, 0.0], abs=0.05)
    stretched = replace(view, x_mm=1.004 * view.x_mm, y_mm=1.004 * view.y_mm)
    told = check_dots_through(stretched, photo, number=0, pitch_mm=PITCH_MM, height_mm=0.0)
    assert told.scale == pytest.approx(1.004, abs=5e-4)


def test_what_are_no_such_dots_is_told(photo):
    view = WINGS.view_map()
    with pytest.raises(MeasurementError, match="printed dots are seen where the map knows"):
        check_dots_through(view, np.full_like(photo, 120), number=0, pitch_mm=PITCH_MM, height_mm=0.0)
    with pytest.raises(InputError, match="found 100 x 50 pixels, expected the 480 x 270"):
        check_dots_through(view, photo[:50, :100], number=0, pitch_mm=PITCH_MM, height_mm=0.0)
    honeycomb = np.full_like(photo, 200)
    for i, j in np.ndindex(30, 20):
        cv2.circle(honeycomb, (20 + 14 * i + 7 * (j % 2), 20 + 12 * j), 4, 30, -1, cv2.LINE_AA)
    with pytest.raises(MeasurementError, match="rows and columns"):
        check_dots_through(view, honeycomb, number=0, pitch_mm=PITCH_MM, height_mm=0.0)
