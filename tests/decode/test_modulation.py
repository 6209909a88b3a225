"""Modulation of the stripes in cells: the Fourier factor of a known blur, whatever lamp and table do."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Modulation, decode
from rigwarp.decode.checks.modulation import CELL_PX
from rigwarp.geometry import Array
from rigwarp.patterns import LevelFrame, PatternFrame, PatternSet, fast_set, gray_set

SHAPE, RESOLUTION = (192, 256), (1280, 720)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
BLUR_U_PX, BLUR_V_PX = 2.5, 1.0


@dataclass(frozen=True, kw_only=True)
class Uneven(Scene):
    """Light blurred by `blur_u_px` along u, by `blur_px` along v, from a lamp that has faded to `lamp` for v."""

    blur_u_px: float = 0.0
    lamp: float = 1.0

    def light(self, frame: PatternFrame, patterns: PatternSet) -> Array:
        plain = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT, scattered=self.scattered)
        if isinstance(frame, LevelFrame):
            return plain.light(frame, patterns)
        if frame.axis == "x":
            return replace(plain, blur_px=self.blur_u_px).light(frame, patterns)
        faded = replace(plain, blur_px=self.blur_px, brightness=self.lamp * BRIGHTNESS)
        return faded.light(frame, patterns)


def scanned(patterns: PatternSet, **scene: float) -> Modulation:
    made = Uneven(
        u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT, blur_u_px=BLUR_U_PX, blur_px=BLUR_V_PX, **scene
    )
    found = decode(photograph(made, patterns, rng=np.random.default_rng(5), response=1.0), patterns).modulation
    assert found is not None
    return found


def fade(sigma_px: float, periods_px: Array) -> Array:
    """The Fourier transform of a Gaussian of this sigma."""
    return np.asarray(np.exp(-2.0 * (np.pi * sigma_px / periods_px) ** 2))


@pytest.mark.parametrize("make", [fast_set, gray_set])
def test_modulation_is_the_blurs_fourier_factor(make) -> None:
    """The waves swing between 0.02 and 0.98 of white: unblurred their amplitude is 0.96 of their mean."""
    found = scanned(make(RESOLUTION, 2.2))
    assert len(found.camera_px) > 0.8 * SHAPE[0] * SHAPE[1] / CELL_PX**2
    # 64 pixels of 1.5 % noise each give a cell 0.2 %; the middle of 80 cells 0.03 %, the amplitude's noise adds 0.01 %
    np.testing.assert_allclose(np.median(found.u, axis=0), 0.96 * fade(BLUR_U_PX, found.periods_u_px), rtol=2e-3)
    np.testing.assert_allclose(np.median(found.v, axis=0), 0.96 * fade(BLUR_V_PX, found.periods_v_px), rtol=2e-3)


def test_a_lamp_that_fades_leaves_it_alone_and_scattered_light_lowers_all_alike() -> None:
    """Scattered light of share s adds s to the mean of 1: all modulations are 1 + s times less."""
    patterns = fast_set(RESOLUTION, 2.2)
    plain, faded, hazy = (scanned(patterns, **scene) for scene in ({}, {"lamp": 0.97}, {"scattered": 0.1}))
    np.testing.assert_allclose(np.median(faded.v, axis=0), np.median(plain.v, axis=0), rtol=2e-3)
    for axis in ("u", "v"):
        ratio = np.median(getattr(plain, axis), axis=0) / np.median(getattr(hazy, axis), axis=0)
        np.testing.assert_allclose(ratio, 1.1, rtol=4e-3)


def test_cells_know_what_they_see() -> None:
    found = scanned(fast_set(RESOLUTION, 2.2))
    column, row = np.rint(found.camera_px).astype(int).T
    # a cell's mean position is its middle's but for the scene's bend over 24 camera pixels
    np.testing.assert_allclose(found.pixels_px[:, 0], U[row, column], atol=3.0)
    np.testing.assert_allclose(found.pixels_px[:, 1], V[row, column], atol=3.0)
