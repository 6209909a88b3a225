"""Where a scan showed anything: areas of known size."""

import numpy as np
import pytest

from rigwarp.geometry import PixelMap
from rigwarp.rig import Table
from rigwarp.view import Screen, ScreenLaid, lit_by_projector, lit_by_screen

TABLE = Table(shape="rectangle", size_mm=(400.0, 200.0), height_mm=0.0)


def area_mm2(lit):
    return lit.cells.sum() * lit.step_mm**2


def test_a_shadow_in_a_projectors_light_is_not_lit():
    """Pixels of 1.5 mm over 300 x 150 mm, but for a disc of 30 mm radius, less the last cell before each edge."""
    u, v = np.meshgrid(np.arange(200) * 1.5 - 149.25, 74.25 - np.arange(100) * 1.5)
    lights = np.hypot(u, v) > 30.0
    where = np.where(lights, 0, -1).astype(np.int16)
    known = [np.where(lights, values, np.nan) for values in (u, v)]
    shown = PixelMap(x_mm=known[0], y_mm=known[1], sigma_mm=known[0], zone=where, measured=lights)
    lit = lit_by_projector(shown, TABLE)
    step = lit.step_mm
    least = (300.0 - 4 * step) * (150.0 - 4 * step) - np.pi * (30.0 + 3 * step) ** 2
    assert least < area_mm2(lit) < 300.0 * 150.0 - np.pi * 30.0**2
    places = np.array([[0.0, 0.0], [0.0, 40.0], [-140.0, 65.0], [170.0, 0.0], [np.nan, np.nan], [900.0, 0.0]])
    assert lit.at(places).tolist() == [False, True, True, False, False, False]


def test_a_display_covers_its_rectangle_wherever_it_lies():
    """100 x 50 mm twice, the second turned by 30 degrees: apart from each other, and partly beside the table."""
    screen = Screen(pixels=(200, 100), pitch_mm=0.5, thickness_mm=7.0)
    turned = ScreenLaid(centre_mm=np.array([120.0, -20.0]), rotation_rad=np.radians(30.0))
    first = ScreenLaid(centre_mm=np.array([-150.0, 80.0]), rotation_rad=0.0)
    lit = lit_by_screen(screen, [first, turned], TABLE)
    assert area_mm2(lit) == pytest.approx(100.0 * 45.0 + 100.0 * 50.0, rel=0.02)
    along = np.array([np.cos(np.radians(30.0)), np.sin(np.radians(30.0))])
    ends = turned.centre_mm + np.array([[48.0], [52.0]]) * along
    assert lit.at(ends).tolist() == [True, False]
