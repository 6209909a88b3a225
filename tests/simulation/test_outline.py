"""Holes and rims that the design does not have, by rays straight down on a mirror that lies level."""

import numpy as np
import pytest
from bench_rigs import panels_rig

from rigwarp.geometry import Array
from rigwarp.rig import ConicShape, Mirror
from rigwarp.simulation.mirror import NO_PIECE, reflect_first
from rigwarp.simulation.pieces import built_pieces, design_pieces
from rigwarp.simulation.truth import BuiltTruth, Hole

HOLE_MM, RADIUS_MM = np.array([12.0, -7.0]), 4.0


def lit(mirror: Mirror, x_mm: Array, y_mm: Array, *, rim_mm: float, holes: tuple[Hole, ...]) -> Array:
    built = BuiltTruth(
        radius_percent=0.0,
        zernike=(),
        zernike_radius_mm=1.0,
        zernike_centre_mm=np.zeros(2),
        dents=(),
        ripples=(),
        facets=(),
        seat_shift_mm=np.zeros(3),
        seat_turn_rad=np.zeros(3),
        rim_mm=rim_mm,
        holes=holes,
    )
    pieces = built_pieces(design_pieces(mirror, None, {}), built, np.array([0.0, 0.0, 500.0]))
    above = np.stack([x_mm, y_mm, np.full_like(x_mm, 100.0)])
    down = np.zeros_like(above)
    down[2] = -1.0
    return np.asarray(reflect_first(pieces, above, down)[2] != NO_PIECE)


@pytest.mark.parametrize("rim_mm", [0.0, -6.0, 3.0])
def test_light_goes_past_a_rim_and_through_a_hole(make_rig, rim_mm: float) -> None:
    mirror = make_rig().mirror
    assert isinstance(mirror.shape, ConicShape)
    outer = mirror.shape.aperture_mm[1]
    x, y = np.random.default_rng(1).uniform(-1.1 * outer, 1.1 * outer, (2, 20_000))
    hole = Hole(piece=0, position_mm=HOLE_MM, radius_mm=RADIUS_MM)
    found = lit(mirror, x, y, rim_mm=rim_mm, holes=(hole,))
    inner = mirror.shape.aperture_mm[0]
    r = np.hypot(x, y)
    wanted = (r <= outer + rim_mm) & (r >= (inner - rim_mm if inner > 0 else 0.0))
    wanted &= np.hypot(x - HOLE_MM[0], y - HOLE_MM[1]) >= RADIUS_MM
    np.testing.assert_array_equal(found, wanted)


@pytest.mark.parametrize("rim_mm", [-6.0, 3.0])
def test_panels_keep_the_edge_that_they_share(rim_mm: float) -> None:
    """Two of 40 by 60 mm, side by side along x = 0."""
    panels = [[[0.0, -30.0, 0.0], [40.0, -30.0, 0.0], [40.0, 30.0, 0.0], [0.0, 30.0, 0.0]]]
    panels.append([[-40.0, -30.0, 0.0], [0.0, -30.0, 0.0], [0.0, 30.0, 0.0], [-40.0, 30.0, 0.0]])
    x, y = np.random.default_rng(2).uniform(-50.0, 50.0, (2, 20_000))
    found = lit(panels_rig(panels).mirror, x, y, rim_mm=rim_mm, holes=())
    np.testing.assert_array_equal(found, (np.abs(x) <= 40.0 + rim_mm) & (np.abs(y) <= 30.0 + rim_mm))
