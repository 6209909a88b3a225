"""The inverse map: a round trip, the closed form of a homography, overlaps, and silence where no light is."""

import numpy as np
import pytest
from bench_rigs import convex_rig

from rigwarp.geometry import PixelMap
from rigwarp.table_map import invert
from rigwarp.tracing import build_model, trace_map

SHAPE = (90, 160)


def map_of(x: np.ndarray, y: np.ndarray, zone: np.ndarray | None = None) -> PixelMap:
    return PixelMap(
        x_mm=x,
        y_mm=y,
        sigma_mm=np.where(np.isfinite(x), 0.3, np.nan),
        zone=np.zeros(x.shape, np.int16) if zone is None else zone.astype(np.int16),
        measured=np.isfinite(x),
    )


def test_round_trip_through_a_curved_map() -> None:
    rig = convex_rig()
    table_map = trace_map(build_model(rig, meshes={}))
    lit = np.argwhere(table_map.answered)[::37]
    inner = [p for p in lit if 2 < p[0] < 357 and 2 < p[1] < 637]
    pixels = np.array(inner)[:, ::-1].astype(float)
    table = table_map.table_mm[pixels[:, 1].astype(int), pixels[:, 0].astype(int)]
    found = invert(table_map, table)
    known = np.isfinite(found.pixels_px[0, :, 0])
    assert known.mean() > 0.98  # pixels at the rim have no four answered neighbours
    assert np.abs(found.pixels_px[0] - pixels)[known].max() < 1e-5


def test_a_homography_between_pixel_centres() -> None:
    """Bilinear interpolation of u / (1 + c u) errs by at most h''/8 per axis, far below the 1e-3 px asked here."""
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    w = 1 + 1e-4 * u + 2e-4 * v
    table_map = map_of((2 * u + 0.1 * v) / w, (0.2 * u + 1.5 * v + 3) / w)
    wanted = np.random.default_rng(0).uniform([5, 5], [150, 80], (500, 2))
    w = 1 + wanted @ [1e-4, 2e-4]
    table = np.stack([wanted @ [2, 0.1], wanted @ [0.2, 1.5] + 3], axis=-1) / w[:, None]
    found = invert(table_map, table)
    assert np.abs(found.pixels_px[0] - wanted).max() < 1e-3
    # sigma is 0.3 mm; the pixel's size is the root of the determinant, 1.73 mm at the middle
    assert np.median(found.sigma_px) == pytest.approx(0.3 / np.sqrt(2 * 1.5 - 0.02), rel=0.05)
    assert found.measured.all()


def test_overlapping_zones_both_answer() -> None:
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    zone = (u >= 80).astype(int)
    x = np.where(zone == 0, u, u - 30)  # columns 80.. land on 50..: 50 to 79 are lit twice
    found = invert(map_of(x, v, zone), np.array([[20.0, 40.0], [60.0, 40.0], [100.0, 40.0], [500.0, 40.0]]))
    assert found.count.tolist() == [1, 2, 1, 0]
    assert found.pixels_px[:, 1, 0] == pytest.approx([60.0, 90.0], abs=1e-6)


def test_nothing_is_claimed_outside_the_light() -> None:
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    hole = np.hypot(u - 80, v - 45) < 12
    x, y = np.where(hole, np.nan, u), np.where(hole, np.nan, v)
    found = invert(map_of(x, y), np.array([[80.0, 45.0], [-3.0, 10.0], [40.0, 45.0], [np.nan, 0.0]]))
    assert np.isfinite(found.pixels_px[0, :, 0]).tolist() == [False, False, True, False]
