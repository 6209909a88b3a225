"""Movement between two photographs: shifts of a formula's picture by known amounts, and changes of light."""

import numpy as np
import pytest

from rigwarp.capture.scans.resume import compare

SHAPE = (120, 160)
NOISE = 1.5


def scene(shift=(0.0, 0.0), *, period=27.0, light=1.0, contrast=1.0):
    """Stripes on a table with a gentle gradient and an edge, in code values, shifted by (x, y) pixels."""
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    u, v = u - shift[0], v - shift[1]
    inside = 1 / (1 + np.exp((np.hypot(u - 80, v - 60) - 50) / 1.5))
    stripes = 1 + contrast * 0.8 * np.cos(2 * np.pi * u / period)
    return light * (8 + 90 * inside * stripes * (1 + 0.002 * v))


def photo(picture, seed):
    noise = np.random.default_rng(seed).normal(0, NOISE, picture.shape)
    return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8)


BLACK, WHITE = photo(np.full(SHAPE, 8.0), 1), photo(2 * scene(contrast=0.0), 2)


def compared(picture, **changes):
    after = (photo(scene(**changes), 4), photo(scene(**changes), 5))
    return compare(photo(picture, 3), after, BLACK, WHITE)


def test_nothing_has_moved():
    movement = compared(scene())
    # 8000 lit pixels of noise 1.5 against slopes of about 10 codes per pixel: sigma 0.003 px
    assert np.hypot(*movement.shift_px) < 0.02
    assert movement.changed == 0
    assert abs(movement.drift) < 0.001
    assert not movement.matters


@pytest.mark.parametrize("shift", [(0.2, 0.0), (-0.5, 0.3), (0.0, 0.4)])
def test_small_shifts_are_measured(shift):
    movement = compared(scene(), shift=shift)
    # along the stripes only edge and gradient tell; smoothing flattens slopes by about 3 per cent
    np.testing.assert_allclose(movement.shift_px, shift, rtol=0, atol=0.06)
    assert movement.matters
    assert f"shifted by {np.hypot(*movement.shift_px):.1f} camera pixels" in str(movement)


def test_a_large_shift_is_seen_though_not_measured():
    movement = compared(scene(), shift=(13.5, 0.0))  # half a period: black and white change places
    assert movement.changed > 0.5
    assert movement.matters


def test_a_lamp_that_warms_up_is_no_movement_but_a_darker_one_is_told():
    warm = compared(scene(), light=1.02)
    assert warm.drift == pytest.approx(0.02, abs=0.002)
    assert not warm.matters
    dim = compared(scene(), light=0.8)
    assert dim.drift == pytest.approx(-0.2, abs=0.005)
    assert dim.matters
    assert "brightness -20 %" in str(dim)


def test_a_hand_in_the_light_is_seen():
    changed = scene()
    changed[40:70, 60:90] *= 0.5
    movement = compare(photo(scene(), 3), (photo(changed, 4), photo(changed, 5)), BLACK, WHITE)
    assert 0.05 < movement.changed < 0.25  # 900 of about 7,850 lit pixels are 11 per cent; cells at the rim count whole
    assert movement.matters


def test_where_nothing_is_lit_nothing_is_trusted():
    dark = photo(np.full(SHAPE, 8.0), 6)
    assert compare(dark, (dark, dark), dark, dark).matters
