"""The radius of curvature from the power, against exact spheres and the reference values' worked example."""

import numpy as np
import pytest

from rigwarp.as_built.describe.alignment import rigid_motions
from rigwarp.as_built.describe.footprint import nearest_surface, zone_points
from rigwarp.as_built.describe.form import fit_matrix
from rigwarp.as_built.describe.radius import built_radius
from rigwarp.geometry.zernike import enclosing_disk
from rigwarp.tracing.surfaces.conic import ConicSurface


def conic(radius_mm, conic_constant=0.0, outer_mm=60.0):
    return ConicSurface(
        radius_mm=radius_mm, conic_constant=conic_constant, coefficients_mm=(), aperture_mm=(0.0, outer_mm)
    )


def disk_points(radius_mm, centre=(0.0, 0.0), n=81):
    line = np.linspace(-radius_mm, radius_mm, n)
    xy = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    return xy[np.hypot(*xy.T) <= radius_mm] + centre


def told(design, xy, *, built=None, power_mm=None, sigma_mm=1e-3):
    """The radius from the heights of another surface at points, or from a power."""
    motions = rigid_motions(zone_points((design,), xy[None], nearest_surface((design,), xy[None])))
    terms, to_terms = fit_matrix(enclosing_disk(xy), xy)
    to_power = to_terms[terms.index((2, 0))]
    if built is not None:
        power_mm = to_power @ motions.remove(built.sag(*xy.T) - design.sag(*xy.T))[0]
    return built_radius((design,), xy, motions, to_power=to_power, power_mm=power_mm, sigma_mm=sigma_mm)


def test_the_worked_example():
    """R 100 to 101 over a = 40 mm is 0.0259505 mm of Z(2,0), not the 0.0228654 of the shallow formula.

    Reference values, section 3.4. The grid's disk is not quite round: 0.3 % of the change of 1 mm.
    """
    found = told(conic(100.0), disk_points(40.0), power_mm=-0.0259505, sigma_mm=0.00259505)
    assert found.design_mm == 100.0
    assert found.built_mm == pytest.approx(101.0, abs=0.02)
    assert found.sigma_mm == pytest.approx(0.1, rel=0.05)
    assert found.flatter == pytest.approx(0.01, abs=2e-4)


@pytest.mark.parametrize(
    ("radius_mm", "built_mm", "conic_constant", "centre"),
    [(100.0, 102.0, 0.0, (0.0, 0.0)), (-250.0, -245.0, -1.0, (0.0, 0.0)), (-120.0, -121.0, -1.0, (10.0, -6.0))],
    ids=["sphere", "paraboloid", "paraboloid off its axis"],
)
def test_exact_surfaces(radius_mm, built_mm, conic_constant, centre):
    """Second order in the change: (2 %)^2 of the radius at most."""
    found = told(conic(radius_mm, conic_constant), disk_points(30.0, centre), built=conic(built_mm, conic_constant))
    assert found.built_mm == pytest.approx(built_mm, abs=4e-4 * abs(radius_mm))
    assert np.sign(found.flatter) == np.sign(abs(built_mm) - abs(radius_mm))


def test_a_mirror_of_two_pieces_has_no_radius():
    assert (
        built_radius(
            (conic(100.0), conic(100.0)), np.zeros((0, 2)), None, to_power=np.zeros(0), power_mm=0.0, sigma_mm=0.0
        )
        is None
    )
