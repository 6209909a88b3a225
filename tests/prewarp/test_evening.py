"""Measured light evened out anew by hand: the same as building the warp so, and never more light than there is."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.files import read_prewarp, write_prewarp
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import UNCHANGED, Adjustment, build_prewarp, content_coordinates
from rigwarp.prewarp.adjustment import adjusted_gain
from rigwarp.prewarp.plain import plain_warp
from rigwarp.rig import Content

CONTENT = Content(shape="circle", size_mm=(90.0, 90.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(300, 300))
V, U = np.mgrid[:100, :120].astype(float)
LIGHT = 3.0 * np.exp(-(((U - 50) / 45) ** 2 + ((V - 45) / 45) ** 2))


def built(**options):
    table_map = PixelMap(
        x_mm=U - 60.0,
        y_mm=50.0 - V,
        sigma_mm=np.full(U.shape, 0.01),
        zone=np.zeros(U.shape, np.int16),
        measured=np.ones(U.shape, bool),
    )
    return build_prewarp(table_map, CONTENT, 2.2, **options)


def by_hand(prewarp, limit, falloff):
    adjustment = Adjustment(flatten_limit=limit, flatten_falloff=falloff)
    return adjusted_gain(prewarp, content_coordinates(prewarp), CONTENT, adjustment)


@pytest.mark.parametrize(("limit", "falloff"), [(0.35, 0.0), (0.1, 0.0), (0.8, 0.0), (0.2, 0.5), (1.0, 0.0)])
def test_by_hand_is_as_built(limit, falloff):
    wanted = built(light=LIGHT, flatten_limit=limit, flatten_falloff=falloff)
    found = by_hand(built(light=LIGHT), limit, falloff)
    np.testing.assert_allclose(found, wanted.gain, atol=2e-6)  # light is kept in float32, the mesh gives 1e-6 mm
    np.testing.assert_allclose(by_hand(built(light=LIGHT), 1.0, 0.0), built().gain, atol=1e-7)  # nothing dimmed


def test_as_fitted_unless_something_is_asked_for():
    lit, unlit = built(light=LIGHT), built()
    for prewarp, asked in ((lit, UNCHANGED), (unlit, Adjustment(flatten_limit=0.1))):
        assert adjusted_gain(prewarp, content_coordinates(prewarp), CONTENT, asked) is prewarp.gain


def test_the_rim_may_stay_darker():
    """Light times gain: even, or at the rim by the stated share darker, in the upper half of which light suffices."""
    prewarp = built(light=LIGHT)
    inside = np.hypot(U - 60, 50 - V) < 43.0
    even, soft = (LIGHT * by_hand(prewarp, 0.05, falloff) for falloff in (0.0, 0.6))
    middle, rim = (50, 60), (50, 20)  # the second 40 mm of 45 off the middle: 0.79 of the rim's falloff
    assert even[inside].max() / np.median(even[inside]) == pytest.approx(1.0, abs=0.02)
    assert soft[rim] / soft[middle] == pytest.approx(1.0 - 0.6 * (40 / 45) ** 2, abs=0.02)
    assert soft[middle] > even[middle]


def test_kept_in_the_file_and_in_exports(tmp_path):
    prewarp = built(light=LIGHT)
    write_prewarp(tmp_path / "prewarp.npz", prewarp)
    back = read_prewarp(tmp_path / "prewarp.npz")
    np.testing.assert_array_equal(back.light, prewarp.light)
    np.testing.assert_array_equal(back.bare_gain, prewarp.bare_gain)
    write_prewarp(tmp_path / "older.npz", replace(prewarp, light=None, bare_gain=None))
    assert read_prewarp(tmp_path / "older.npz").light is None
    plain = plain_warp(prewarp, CONTENT, Adjustment(flatten_limit=0.1, flatten_falloff=0.3))
    np.testing.assert_array_equal(plain.prewarp.gain, by_hand(prewarp, 0.1, 0.3))
