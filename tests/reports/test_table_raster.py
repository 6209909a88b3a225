"""Light on table cells: the law of a point source, conservation of light, folds, and no false holes."""

import numpy as np
import pytest

from rigwarp.reports import raster_table
from rigwarp.reports.measures.pixel_scale import pixel_light

SQUARE = 'shape = "rectangle"\nsize_mm = [200, 200]'


def test_a_point_source_lights_a_plane_with_cos_cubed(rig_of, map_of, pixels_of):
    """E = I cos^3(theta) / h^2 for a source of even intensity I at height h straight above a plane."""
    rig = rig_of(width=300, height=300, throw=0.8)
    u, v = pixels_of(300, 300)
    h_mm = 200.0
    mapped = map_of(h_mm * u / rig.projector.focal_px, -h_mm * v / rig.projector.focal_px)
    raster = raster_table(mapped, rig, cell_mm=4.0)
    got = raster.irradiance(pixel_light(rig.projector))
    radius = np.hypot(*np.moveaxis(raster.centres_mm, -1, 0))
    expected = (h_mm / np.hypot(h_mm, radius)) ** 3
    ratio = got / expected
    # A cell's mean stands for its centre: E bends by less than 3 / h^2, over 4 mm that is 3 * 4^2 / 12 / 200^2 = 1e-4.
    # Which points fall into a cell moves its centroid by up to a pixel (0.8 mm) where E falls by 0.75 % per mm.
    assert np.nanmax(np.abs(ratio / np.nanmedian(ratio) - 1.0)) < 0.006
    assert np.isfinite(got).all()


def test_light_is_conserved(rig_of, map_of, pixels_of):
    rig = rig_of()
    u, v = pixels_of(200, 200)
    mapped = map_of(0.4 * u + 0.1 * v, 0.5 * v - 0.05 * u)  # all of it on the table
    raster = raster_table(mapped, rig, cell_mm=1.0)
    total = np.nansum(raster.irradiance(pixel_light(rig.projector))) * raster.cell_mm**2
    # Cells along the rim count wholly or not at all: a random error of half a cell for each of 400 of 9 600 cells.
    assert total == pytest.approx(1.0, abs=0.005)


def test_area_of_a_lit_disc(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    mapped = map_of(0.9 * u, 0.9 * v, lit=np.hypot(u, v) < 80)
    raster = raster_table(mapped, rig_of(), cell_mm=1.0)
    expected = np.pi * (80 * 0.9) ** 2
    assert (raster.sheets() > 0).sum() == pytest.approx(expected, rel=0.01)  # the disc is made of 0.9 mm pixels


@pytest.mark.parametrize("scale_mm", [0.37, 0.93, 1.7, 2.6, 7.3])
@pytest.mark.parametrize("angle_deg", [0.0, 13.0, 45.0])
def test_an_evenly_lit_table_has_no_false_holes_or_doubles(rig_of, map_of, pixels_of, scale_mm, angle_deg):
    """Pixel lattice and cell lattice beat against each other; that must not show."""
    count = int(230 / scale_mm)
    rig = rig_of(
        width=count,
        height=count,
        table='shape = "rectangle"\nsize_mm = [150, 150]',
        content='shape = "circle"\ndiameter_mm = 140',
    )
    u, v = pixels_of(count, count)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    mapped = map_of(scale_mm * (cos * u - sin * v), scale_mm * (sin * u + cos * v))
    raster = raster_table(mapped, rig, cell_mm=2.0)
    assert (raster.sheets() == 1).all()
    light = raster.irradiance(pixel_light(rig.projector))
    assert np.ptp(light) / light.mean() < 1e-5  # throw ratio 1000: even to 1e-6


def test_both_sides_of_a_fold_add_up(rig_of, map_of, pixels_of):
    """x = x0 - u^2/100: every place left of the fold is lit twice, with density 1 / |dx/du| each."""
    rig = rig_of()
    u, v = pixels_of(200, 200)
    mapped = map_of(80.0 - u**2 / 100.0, v)
    raster = raster_table(mapped, rig, cell_mm=2.0)
    sheets = raster.sheets()
    away = (raster.x_mm > -10.0) & (raster.x_mm < 60.0)
    inner = np.abs(raster.y_mm) < 95.0
    assert (sheets[inner][:, away] == 2).all()
    assert (sheets[:, raster.x_mm > 83.0] == 0).all()
    light = raster.irradiance(pixel_light(rig.projector))
    slope = 2.0 * np.sqrt(100.0 * (80.0 - raster.x_mm[away])) / 100.0  # |dx/du| = 2 |u| / 100
    expected = 2 * (1 / 200**2) / slope
    # Within a cell the density bends as (80 - x)^-1/2: at 20 mm from the fold by 3/8 / 20^2 * 2^2 / 12 * 3 < 0.1 %.
    assert np.abs(light[inner][:, away] / expected - 1.0).max() < 0.02


def test_mean_of_a_pixel_value(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    mapped = map_of(u, v)
    raster = raster_table(mapped, rig_of(), cell_mm=4.0)
    got = raster.mean(np.broadcast_to(u, mapped.x_mm.shape))
    inner = np.abs(raster.x_mm) < 95.0  # cells that are lit all over
    assert np.nanmax(np.abs(got - raster.x_mm)[:, inner]) < 0.5  # half a pixel of 1 mm
    with_gaps = np.where(u > 0, np.nan, 3.0)
    assert np.nanmax(raster.mean(with_gaps)) == pytest.approx(3.0)


def test_grid_covers_table_and_a_content_area_that_sticks_out(rig_of, map_of, pixels_of):
    rig = rig_of(content='shape = "circle"\ndiameter_mm = 100\ncentre_mm = [40, -20]')
    raster = raster_table(map_of(*pixels_of(200, 200)), rig)
    left, right, front, back = raster.extent_mm
    assert left <= -100.0
    assert right >= 100.0
    assert front <= -100.0
    assert back >= 100.0


def test_a_dark_map_gives_a_dark_table(rig_of, map_of, pixels_of):
    u, v = pixels_of(200, 200)
    raster = raster_table(map_of(u, v, lit=np.zeros(u.shape, bool)), rig_of())
    assert not raster.sheets().any()
    assert np.isnan(raster.irradiance(np.ones(u.shape))).all()
