"""Where a map may answer: up to a hole of the mirror, not across it."""

import numpy as np
import pytest

from rigwarp.geometry import PixelMap
from rigwarp.table_map.samples import Samples
from rigwarp.table_map.support import support

SHAPE = (60, 80)
V, U = np.mgrid[: SHAPE[0], : SHAPE[1]]
FROM_HOLE = np.hypot(U - 40.0, V - 30.0)


def samples_at(there: np.ndarray) -> Samples:
    pixels = np.stack([U[there], V[there]], axis=-1).astype(float)
    n = len(pixels)
    return Samples(
        pixels_px=pixels,
        sigma_px=np.full((n, 2), 0.02),
        table_mm=pixels,
        light=np.ones(n),
        camera_px=pixels,
        count=np.ones(n, int),
    )


def design_with(lit: np.ndarray) -> PixelMap:
    nothing = np.zeros(SHAPE)
    return PixelMap(
        x_mm=nothing, y_mm=nothing, sigma_mm=nothing, zone=np.where(lit, 0, -1).astype(np.int16), measured=lit
    )


@pytest.mark.parametrize("radius_px", [5.0, 12.0])
def test_a_hole_of_the_design_stays_one_up_to_two_pixels_from_its_rim(radius_px: float) -> None:
    lit = radius_px < FROM_HOLE
    measured, answered = support(samples_at(lit).pixels_px, design_with(lit), [0])
    assert not answered[radius_px - 2.5 > FROM_HOLE].any()
    assert measured[radius_px < FROM_HOLE].all()


def test_a_gap_in_the_samples_alone_is_bridged() -> None:
    """Small ones count as measured, larger ones do not."""
    everywhere = np.ones(SHAPE, bool)
    measured, answered = support(samples_at(FROM_HOLE > 5.0).pixels_px, design_with(everywhere), [0])
    assert measured.all()
    assert answered.all()
    measured, answered = support(samples_at(FROM_HOLE > 12.0).pixels_px, design_with(everywhere), [0])
    assert not measured[FROM_HOLE < 5.0].any()
    assert answered.all()
