"""The simulation's own tracer: closed forms (check values 1.9, 1.10), law of reflection, surfaces."""

import numpy as np
import pytest

from rigwarp.geometry import Placement, rotation_from_degrees
from rigwarp.rig import Facet, FacetsShape, Mirror
from rigwarp.simulation.mirror import Piece, reflect_first
from rigwarp.simulation.pieces import design_pieces
from rigwarp.simulation.surface import (
    BuiltSurface,
    Conic,
    Cylinder,
    Even,
    GaussianDent,
    Polynomial,
    Profile,
    Ripple,
    monomials,
    zernike_monomials,
)


def _conic_piece(radius, k, terms=(), outer=1e3):
    return Piece(
        origin_mm=np.zeros(3),
        R_mirror_from_piece=np.eye(3),
        surface=BuiltSurface(base=Conic(curvature_per_mm=1 / radius, conic_constant=k), terms=tuple(terms)),
        inside=lambda x, y, margin: x * x + y * y <= (outer + margin) ** 2,
    )


def _table_hit(piece, u, v, *, pinhole_z=-90.0, table_z=-400.0):
    d = np.array([(u + 0.5 - 640) / 1536, (v + 0.5 - 360) / 1536, 1.0])
    d = (d / np.linalg.norm(d))[:, None]
    hit, off, number = reflect_first((piece,), np.array([[0.0], [0.0], [pinhole_z]]), d)
    assert number[0] == 0
    t = (table_z - hit[2]) / off[2]
    return (hit + t * off)[:, 0], hit[:, 0]


@pytest.mark.parametrize(
    ("radius", "k", "pixel", "expected"),
    [  # check values 1.10, cross-checked there with two optics libraries; given to 1e-8 mm
        (100, 0, (960, 360), (289.05489665, 0.45094368)),
        (100, 0, (1200, 600), (935.66400450, 401.47581281)),
        (-100, 0, (960, 360), (-47.83803748, -0.07463032)),
        (-100, 0, (1200, 600), (-82.98575443, -35.60762523)),
        (-100, -1, (1200, 600), (-68.98919791, -29.60196628)),
        (-100, -0.5, (1200, 600), (-75.67781910, -32.47192773)),
        (100, -2.25, (960, 360), (280.16597074, 0.43707640)),
        (100, -2.25, (1200, 600), (700.99874244, 300.78536585)),
    ],
)
def test_pixels_land_where_the_closed_form_says(radius, k, pixel, expected):
    spot, _ = _table_hit(_conic_piece(radius, k), *pixel)
    np.testing.assert_allclose(spot[:2], expected, rtol=0, atol=6e-9)


@pytest.mark.parametrize(
    ("radius", "pixel_radius", "x", "z", "rho"),
    [  # check values 1.9
        (100, 100, 5.870603428, 0.172468650, 79.720532925),
        (100, 320, 19.134959434, 1.847805285, 288.467654239),
        (-100, 100, 5.848232060, -0.171155562, -14.969245189),
        (-100, 320, 18.394510780, -1.706348256, -47.763879699),
    ],
)
def test_coaxial_sphere(radius, pixel_radius, x, z, rho):
    spot, hit = _table_hit(_conic_piece(radius, 0), 640 - 0.5 + pixel_radius, 360 - 0.5)
    np.testing.assert_allclose([hit[0], hit[2], spot[0]], [x, z, rho], rtol=0, atol=6e-10)


def test_a_ray_to_one_focus_of_an_ellipsoid_leaves_through_the_other():
    # k = -0.25, R = 100: foci 200/3 and 200 from the vertex, path 800/3 (check values 1.4); z measured into the bowl
    piece = _conic_piece(100, -0.25)
    angle = np.deg2rad(np.linspace(-20, 20, 9))
    d = np.stack([np.sin(angle), 0 * angle, -np.cos(angle)])
    start = np.repeat([[0.0], [0.0], [200.0]], 9, axis=1)
    hit, off, _ = reflect_first((piece,), start, d)
    t = -hit[0] / np.where(off[0] == 0, 1, off[0])
    z = np.where(off[0] == 0, 200 / 3, hit[2] + t * off[2])
    np.testing.assert_allclose(z, 200 / 3, rtol=0, atol=1e-9)
    path = np.linalg.norm(hit - start, axis=0) + np.linalg.norm(hit - np.array([[0], [0], [200 / 3]]), axis=0)
    np.testing.assert_allclose(path, 800 / 3, rtol=0, atol=1e-9)


def _rough_terms():
    return [
        Polynomial(coefficients=zernike_monomials([(2, 2, 0.05), (3, -1, 0.03)]), centre_mm=(3.0, -2.0), scale_mm=40.0),
        GaussianDent(position_mm=(5.0, 4.0), sigma_mm=3.0, depth_mm=0.02),
        Ripple(amplitude_mm=5e-4, period_mm=4.0, direction_rad=0.7, phase_rad=0.2),
        Ripple(amplitude_mm=5e-4, period_mm=5.0, phase_rad=0.0),
        Even(coefficients=(1e-7, -1e-11)),
    ]


def test_hits_lie_on_the_rough_surface_and_obey_the_law_of_reflection():
    piece = _conic_piece(120, -0.6, _rough_terms(), outer=40)
    random = np.random.default_rng(0)
    aim = np.stack([random.uniform(-25, 25, 500), random.uniform(-25, 25, 500), np.zeros(500)])
    start = np.repeat([[10.0], [-20.0], [-150.0]], 500, axis=1)
    d = (aim - start) / np.linalg.norm(aim - start, axis=0)
    hit, off, number = reflect_first((piece,), start, d)
    assert (number == 0).all()
    height, _, _ = piece.surface.height_and_slopes(hit[0], hit[1])
    np.testing.assert_allclose(hit[2], height, rtol=0, atol=1e-11)  # settled to rounding
    h = 1e-4  # mm; central differences of the height are good to about 1e-8 here
    zx = (
        piece.surface.height_and_slopes(hit[0] + h, hit[1])[0] - piece.surface.height_and_slopes(hit[0] - h, hit[1])[0]
    ) / (2 * h)
    zy = (
        piece.surface.height_and_slopes(hit[0], hit[1] + h)[0] - piece.surface.height_and_slopes(hit[0], hit[1] - h)[0]
    ) / (2 * h)
    n = np.stack([-zx, -zy, np.ones(500)])
    n /= np.linalg.norm(n, axis=0)
    np.testing.assert_allclose(np.sum(off * n, axis=0), -np.sum(d * n, axis=0), rtol=0, atol=1e-7)  # same angle
    np.testing.assert_allclose(np.sum(np.cross(d.T, off.T) * n.T, axis=1), 0, atol=1e-7)  # one plane
    np.testing.assert_allclose(np.linalg.norm(off, axis=0), 1, rtol=0, atol=1e-14)


def test_slopes_of_every_surface_are_the_derivatives_of_its_height():
    r = np.linspace(0, 60, 61)
    surfaces = [
        *_rough_terms(),
        Cylinder(curvature_per_mm=1 / 90, axis_rad=0.4),
        Conic(curvature_per_mm=-1 / 150, conic_constant=-2.0),
        Profile.through(r, r**2 / 200 + 1e-7 * r**4),
        Polynomial(
            coefficients=monomials([(1, 2, 1e-5), (3, 0, -2e-6), (0, 1, 0.1)]), centre_mm=(0.0, 0.0), scale_mm=1.0
        ),
    ]
    x, y = np.meshgrid(np.linspace(-30, 30, 13) + 0.1, np.linspace(-20, 20, 9) + 0.3)
    x, y = x.ravel(), y.ravel()
    h = 1e-4
    for surface in surfaces:
        _, zx, zy = surface.height_and_slopes(x, y)
        dx = (surface.height_and_slopes(x + h, y)[0] - surface.height_and_slopes(x - h, y)[0]) / (2 * h)
        dy = (surface.height_and_slopes(x, y + h)[0] - surface.height_and_slopes(x, y - h)[0]) / (2 * h)
        # central differences: rounding of heights near 10 mm over h, 1e-15 * 10 / 1e-4, and h^2 z''' / 6
        np.testing.assert_allclose(zx, dx, rtol=0, atol=1e-9)
        np.testing.assert_allclose(zy, dy, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("k", "sag", "slope"),
    [  # check values 1.1: R = 100, r = 40
        (-4, 7.218416868655, 0.328797974611),
        (-1, 8.0, 0.4),
        (0, 8.348486100883, 0.436435780472),
        (0.5, 8.548014086124, 0.458831467741),
    ],
)
def test_conic_sag(k, sag, slope):
    z, zx, zy = Conic(curvature_per_mm=0.01, conic_constant=k).height_and_slopes(np.array([40.0]), np.array([0.0]))
    np.testing.assert_allclose([z[0], zx[0], zy[0]], [sag, slope, 0.0], rtol=0, atol=6e-13)


@pytest.mark.parametrize(
    ("n", "m", "value"),
    [  # check values 3.4, at rho = 0.5, theta = 30 deg
        (1, -1, 0.5), (2, -2, 0.530330), (2, 0, -0.866025), (2, 2, 0.306186), (3, -3, 0.353553), (3, -1, -0.883883),
        (3, 1, -1.530931), (3, 3, 0.0), (4, -4, 0.171163), (4, -2, -1.369306), (4, 0, -0.279508), (4, 2, -0.790569),
    ],
)  # fmt: skip
def test_zernike_values(n, m, value):
    term = Polynomial(coefficients=zernike_monomials([(n, m, 1.0)]), centre_mm=(0.0, 0.0), scale_mm=1.0)
    x, y = np.array([0.5 * np.cos(np.pi / 6)]), np.array([0.5 * np.sin(np.pi / 6)])
    assert abs(term.height_and_slopes(x, y)[0][0] - value) < 6e-7  # the table has six decimals


def test_a_ray_past_the_rim_misses_and_nothing_is_invented():
    piece = _conic_piece(100, 0, outer=20)
    d = np.array([[0.0, 0.0], [0.0, 0.0], [1.0, 1.0]])
    hit, off, number = reflect_first((piece,), np.array([[19.9, 20.1], [0.0, 0.0], [-90.0, -90.0]]), d)
    assert number.tolist() == [0, -1]
    assert np.isnan(hit[:, 1]).all()
    assert np.isnan(off[:, 1]).all()


@pytest.mark.parametrize("radius", [80.0, -80.0])
def test_a_bent_panel_is_the_cylinder_through_its_corners(radius):
    # a quarter of a tube: corners on a circle of 80 mm at -20 and +30 degrees, the panel 60 mm long along y
    angle = np.deg2rad([-20.0, 30.0])
    x, z = abs(radius) * np.sin(angle), radius * (1 - np.cos(angle))
    corners = np.array([[x[0], -30, z[0]], [x[1], -30, z[1]], [x[1], 30, z[1]], [x[0], 30, z[0]]])
    facet = Facet(corners_mm=corners, bend_radius_mm=radius, bend_axis=np.array([0.0, 1.0, 0.0]))
    shift = Placement(
        position_mm=np.array([1.0, 2.0, 3.0]), rotation=rotation_from_degrees(np.array([5.0, -8.0, 30.0]))
    )
    moved = Facet(corners_mm=shift.to_table(corners), bend_radius_mm=radius, bend_axis=shift.rotation[:, 1])
    at = np.linspace(-15, 25, 9)
    expected = radius * (1 - np.sqrt(1 - (at / radius) ** 2))
    for one, place in ((facet, Placement(position_mm=np.zeros(3), rotation=np.eye(3))), (moved, shift)):
        mirror = Mirror(
            shape=FacetsShape(facets=(one,)), placement=place, position_tolerance_mm=1.0, rotation_tolerance_rad=0.01
        )
        (piece,) = design_pieces(mirror, None, {})
        start = place.to_table(np.stack([at, 0 * at + 4, 0 * at + 200], axis=1)).T
        down = np.repeat(-place.rotation[:, 2:], at.size, axis=1)
        np.testing.assert_allclose(200 - piece.meet(start, down), expected, rtol=0, atol=1e-7)  # the fit's own end


def test_joined_polynomials_are_their_sum():
    random = np.random.default_rng(3)
    one = Polynomial(coefficients=random.normal(0, 1, (4, 4)), centre_mm=(1.0, -2.0), scale_mm=3.0)
    two = Polynomial(coefficients=random.normal(0, 1, (6, 6)), centre_mm=(-4.0, 5.0), scale_mm=7.0)
    x, y = random.uniform(-10, 10, (2, 50))
    for got, a, b in zip(
        one.plus(two).height_and_slopes(x, y), one.height_and_slopes(x, y), two.height_and_slopes(x, y), strict=True
    ):
        np.testing.assert_allclose(got, a + b, rtol=1e-11, atol=1e-11 * np.abs(a + b).max())  # rounding
