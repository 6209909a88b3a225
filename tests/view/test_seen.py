"""What is known of places that a projector told: the sizes of their errors, against a flat map's closed form."""

import numpy as np
import pytest
from virtual_views import Sorting

from rigwarp.decode import Decoded, Noise, Response
from rigwarp.geometry import Array, PixelMap
from rigwarp.rig import Table
from rigwarp.view.fit import _samples
from rigwarp.view.pieces import Piece
from rigwarp.view.seen import mm_per_px, mostly_lit, seen_by_projector

SHAPE, PITCH_MM, SEEN_PX = (90, 120), 0.8, 1.5
"""A projector pixel is 0.8 mm wide on the table, and a camera pixel 1.5 of those."""
TABLE = Table(shape="rectangle", size_mm=(2000.0, 2000.0), height_mm=0.0)


def shown() -> PixelMap:
    v, u = np.mgrid[:200, :250].astype(float)
    sigma = np.full(u.shape, 0.03)
    zone, measured = np.zeros(u.shape, np.int16), np.ones(u.shape, bool)
    return PixelMap(x_mm=PITCH_MM * u, y_mm=-PITCH_MM * v, sigma_mm=sigma, zone=zone, measured=measured)


def decoded(*, light_px: float = 0.0, motion_px: float = 0.0) -> Decoded:
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    sigma = np.full(SHAPE, 0.02, np.float32)
    levels = np.linspace(0.0, 1.0, 3)
    return Decoded(
        u_px=SEEN_PX * u + 3.3,
        v_px=SEEN_PX * v + 5.4,
        sigma_u_px=sigma,
        sigma_v_px=sigma,
        reason=np.zeros(SHAPE, np.uint8),
        light=np.full(SHAPE, 0.4, np.float32),
        chi2=np.ones(SHAPE, np.float32),
        response=Response(shape=1.0, shape_sigma=0.1, full_scale=255, level_codes=levels, level_light=levels),
        noise=Noise(floor=1.0, per_light=0.5),
        harmonics={},
        light_sigma_px=light_px,
        bands_sigma_px=0.0,
        curve_sigma_px=0.0,
        motion_sigma_px=motion_px,
    )


def test_light_and_motion_that_were_taken_out_are_common_to_neighbours() -> None:
    seen = seen_by_projector(decoded(), shown(), TABLE)
    assert np.nanmedian(seen.random_mm) == pytest.approx(0.02 * PITCH_MM)
    assert np.nanmedian(seen.common_mm) == pytest.approx(0.03)
    worse = seen_by_projector(decoded(light_px=0.05, motion_px=0.04), shown(), TABLE)
    expected = np.sqrt(0.03**2 + (0.05 * PITCH_MM) ** 2 + (0.04 * SEEN_PX * PITCH_MM) ** 2)
    assert np.nanmedian(worse.common_mm) == pytest.approx(expected)


def test_samples_keep_the_sigma_per_axis(sorting: Sorting) -> None:
    """As `bin_samples` turns it back into mm: the mean over both axes of (slope times the pixel's sigma) squared."""
    seen, part = seen_by_projector(decoded(), shown(), TABLE), sorting.parts[0]
    here = np.isfinite(seen.random_mm)
    piece = Piece(here=here, rim=np.zeros(SHAPE, bool), parity=1, part=part)
    samples = _samples(part, [piece], seen, None)
    slope: Array = np.eye(2) * SEEN_PX * PITCH_MM
    mm = np.sqrt(np.sum((slope**2).sum(axis=0) * samples.sigma_px**2, axis=-1) / 2.0)
    np.testing.assert_allclose(mm, 0.02 * PITCH_MM, rtol=1e-5)
    assert np.median(mm_per_px(seen.table_mm)) == pytest.approx(SEEN_PX * PITCH_MM)


def test_pixels_at_the_rim_that_less_than_half_of_the_lens_lights_tell_no_place() -> None:
    """An edge blurred over six pixels, as a wing's is by the aperture: light falls in a straight line across it."""
    across = np.clip((53.0 - np.arange(80.0)) / 6.0, 0.0, 1.0)
    light = np.where(across > 0.05, np.tile(across, (40, 1)), np.nan)
    light[20, 20] = 0.1  # a speck on the table, far from the rim, is no edge
    kept = mostly_lit(light)
    np.testing.assert_array_equal(kept, np.tile(across >= 0.5, (40, 1)))
