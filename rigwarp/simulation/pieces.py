"""The pieces of the mirror: as designed, and as built."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray, normalize, rotation_from_vector
from rigwarp.rig import ConicShape, Facet, FacetsShape, Mirror, ProfileShape
from rigwarp.simulation.mirror import Inside, Piece
from rigwarp.simulation.surface import (
    BuiltSurface,
    Conic,
    Cylinder,
    Even,
    GaussianDent,
    HeightTerm,
    Polynomial,
    Profile,
    Ripple,
    monomials,
    zernike_monomials,
)
from rigwarp.simulation.truth import BuiltTruth, Dent, FacetError, Hole, SurfaceTruth

_SAME_MM = 1e-6  # corners this close are one


def design_pieces(mirror: Mirror, surface: SurfaceTruth | None, profiles: Mapping[str, Array]) -> tuple[Piece, ...]:
    """The mirror as designed: from the rig, or from virtual.toml's closed form where the rig has only a file.

    `profiles` holds the (N, 2) tables r_mm, z_mm of profile mirrors by file name.

    Raises
    ------
    InputError
        The rig has only a file, and virtual.toml no closed form of it.
    """
    shape = mirror.shape
    if isinstance(shape, FacetsShape):
        return tuple(_facet_piece(facet, _outer_edges(facet, shape.facets)) for facet in shape.facets)
    if surface is not None:
        return (_whole(*_closed_form(surface)),)
    if isinstance(shape, ConicShape):
        base = Conic(curvature_per_mm=1.0 / shape.radius_mm, conic_constant=shape.conic_constant)
        terms = (Even(coefficients=shape.coefficients_mm),) if shape.coefficients_mm else ()
        return (_whole(BuiltSurface(base=base, terms=terms), _ring(*shape.aperture_mm)),)
    if isinstance(shape, ProfileShape) and shape.file in profiles:
        return (_revolved(profiles[shape.file]),)
    raise InputError(
        "virtual.toml: surface: found nothing, expected the table [surface], because rig.toml gives the mirror as "
        "a file. Add it with the closed form that the file was made from."
    )


def built_pieces(design: tuple[Piece, ...], built: BuiltTruth, light_mm: Array) -> tuple[Piece, ...]:
    """The design with everything that went wrong in making it; the seat is not part of it.

    `light_mm` (3,) is where the light comes from, in the mirror's frame: dents point away from it.
    """
    tilted = {error.piece: error for error in built.facets}
    return tuple(
        _built_piece(piece, built, number, tilted.get(number), light_mm) for number, piece in enumerate(design)
    )


def _whole(surface: BuiltSurface, inside: Inside) -> Piece:
    return Piece(origin_mm=np.zeros(3), R_mirror_from_piece=np.eye(3), surface=surface, inside=inside)


def _closed_form(truth: SurfaceTruth) -> tuple[BuiltSurface, Inside]:
    curvature = 1.0 / truth.radius_mm if np.isfinite(truth.radius_mm) else 0.0
    base = Conic(curvature_per_mm=curvature, conic_constant=truth.conic_constant)
    terms: tuple[HeightTerm, ...] = ()
    if truth.terms:
        terms = (Polynomial(coefficients=monomials(truth.terms), centre_mm=(0.0, 0.0), scale_mm=1.0),)
    cx, cy = truth.aperture_centre_mm
    if truth.aperture_size_mm is not None:
        half_w, half_d = truth.aperture_size_mm[0] / 2, truth.aperture_size_mm[1] / 2

        def inside_rectangle(x: Array, y: Array, margin: float) -> BoolArray:
            return (np.abs(x - cx) <= half_w + margin) & (np.abs(y - cy) <= half_d + margin)

        return BuiltSurface(base=base, terms=terms), inside_rectangle
    radius = truth.aperture_radius_mm if truth.aperture_radius_mm is not None else np.inf

    def inside_circle(x: Array, y: Array, margin: float) -> BoolArray:
        return (x - cx) ** 2 + (y - cy) ** 2 <= (radius + margin) ** 2

    return BuiltSurface(base=base, terms=terms), inside_circle


def _ring(inner: float, outer: float) -> Inside:
    def inside(x: Array, y: Array, margin: float) -> BoolArray:
        r2 = x * x + y * y
        hole = max(inner - margin, 0.0) if inner > 0.0 else 0.0
        return (r2 >= hole**2) & (r2 <= (outer + margin) ** 2)

    return inside


def _revolved(table: Array) -> Piece:
    r, z = table[np.argsort(table[:, 0])].T
    curvature = 2.0 * float(np.polynomial.polynomial.polyfit(r * r, z - z[0], 1)[1]) if r.size > 2 else 0.0
    base = Conic(curvature_per_mm=curvature, conic_constant=-1.0)
    paraboloid = Polynomial(
        coefficients=monomials([(2, 0, -curvature / 2), (0, 2, -curvature / 2)]), centre_mm=(0.0, 0.0), scale_mm=1.0
    )
    return _whole(BuiltSurface(base=base, terms=(paraboloid, Profile.through(r, z))), _ring(float(r[0]), float(r[-1])))


def _outer_edges(facet: Facet, facets: Sequence[Facet]) -> BoolArray:
    """(N,) which edges, from each corner to the next, no other panel has end to end."""
    ends = np.stack([facet.corners_mm, np.roll(facet.corners_mm, -1, axis=0)], axis=1)
    others = [
        np.stack([np.roll(other.corners_mm, -1, axis=0), other.corners_mm], axis=1)
        for other in facets
        if other is not facet
    ]
    if not others:
        return np.ones(len(ends), bool)
    off = np.abs(ends[:, None] - np.concatenate(others)).max(axis=(2, 3))
    return np.asarray(off.min(axis=1) > _SAME_MM)


def _facet_piece(facet: Facet, outer: BoolArray) -> Piece:
    """A panel: origin at its corners' mean, z along its normal (corners counter-clockwise), x along its first edge.

    A bent panel lies on the cylinder through its corners, a positive radius with the rim towards the normal; its origin
    is on the cylinder's lowest line, y along the bend's axis. Outlines are straight as seen along z. `outer` (N,) says
    which edges no other panel shares.
    """
    corners = facet.corners_mm
    centre = corners.mean(axis=0)
    following = np.roll(corners, -1, axis=0)
    normal = normalize(np.sum(np.cross(corners - centre, following - centre), axis=0))
    radius_mm, axis = facet.bend_radius_mm, facet.bend_axis
    bent = radius_mm is not None and axis is not None
    along = normalize(axis) if axis is not None else corners[1] - corners[0]
    if bent:
        normal = normalize(normal - along * (normal @ along))
    first = normalize(along - normal * (normal @ along))
    second = np.cross(normal, first)
    R = np.stack([-second, first, normal] if bent else [first, second, normal], axis=1)
    terms: tuple[HeightTerm, ...] = ()
    if radius_mm is not None and bent:
        centre = centre + R @ _lowest_point((corners - centre) @ R, radius_mm)
        terms = (Cylinder(curvature_per_mm=1.0 / radius_mm, axis_rad=np.pi / 2),)
    flat = Conic(curvature_per_mm=0.0, conic_constant=0.0)
    outline = (corners - centre) @ R[:, :2]
    return Piece(
        origin_mm=centre,
        R_mirror_from_piece=R,
        surface=BuiltSurface(base=flat, terms=terms),
        inside=_polygon(outline),
        widened=lambda rim_mm: _polygon(_moved_out(outline, np.where(outer, rim_mm, 0.0))),
    )


def _moved_out(outline: Array, by_mm: Array) -> Array:
    """A counter-clockwise outline (N, 2) whose edges, from each corner to the next, lie by (N,) further out."""
    along = np.roll(outline, -1, axis=0) - outline
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    out = np.stack([along[:, 1], -along[:, 0]], axis=1)
    before = np.roll(np.arange(len(outline)), 1)
    corners = []
    for here, earlier in enumerate(before):
        both = np.stack([out[earlier], out[here]])
        wanted = np.array([by_mm[earlier], by_mm[here]])
        corners.append(outline[here] + np.linalg.lstsq(both, wanted, rcond=1e-9)[0])
    return np.array(corners)


def _lowest_point(corners_mm: Array, radius_mm: float) -> Array:
    """(3,) where a circle of the given radius through the corners (N, 3), seen along y, touches its tangent along x."""
    x, z = corners_mm[:, 0], corners_mm[:, 2]

    def off_circle(lowest: Array) -> Array:
        return np.hypot(x - lowest[0], z - lowest[1] - radius_mm) - abs(radius_mm)

    def directions(lowest: Array) -> Array:
        away = np.stack([lowest[0] - x, lowest[1] + radius_mm - z], axis=1)
        return np.asarray(away / np.linalg.norm(away, axis=1, keepdims=True))

    spread = min(float(np.mean((x - x.mean()) ** 2)), 0.9 * radius_mm**2)
    sag = radius_mm - np.copysign(np.sqrt(radius_mm**2 - spread), radius_mm)
    start = [x.mean(), z.mean() - sag]
    from scipy.optimize import least_squares  # not for the player, see decode/signal/noise.py

    found = least_squares(off_circle, start, jac=directions, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return np.array([found[0], 0.0, found[1]])


def _polygon(outline: Array) -> Inside:
    """Even-odd test of a polygon (N, 2); widened, it is its bounding box."""
    low, high = outline.min(axis=0), outline.max(axis=0)

    def inside(x: Array, y: Array, margin: float) -> BoolArray:
        box = (x >= low[0] - margin) & (x <= high[0] + margin) & (y >= low[1] - margin) & (y <= high[1] + margin)
        if margin > 0.0:
            return box
        odd = np.zeros(x.shape, bool)
        for (xa, ya), (xb, yb) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            if ya != yb:
                odd ^= ((ya > y) != (yb > y)) & (x < xa + (y - ya) * (xb - xa) / (yb - ya))
        return odd & box

    return inside


def _built_piece(piece: Piece, built: BuiltTruth, number: int, tilt: FacetError | None, light_mm: Array) -> Piece:
    # a radius of curvature that came out larger: the conic's, and the second-order terms of a polynomial
    factor, surface = 1.0 + built.radius_percent / 100.0, piece.surface
    base = replace(surface.base, curvature_per_mm=surface.base.curvature_per_mm / factor)
    surface = BuiltSurface(base=base, terms=tuple(_grown_term(term, factor) for term in surface.terms))
    terms: list[HeightTerm] = []
    if built.zernike:
        cx, cy = (float(v) for v in built.zernike_centre_mm)
        table = zernike_monomials(built.zernike)
        terms.append(Polynomial(coefficients=table, centre_mm=(cx, cy), scale_mm=built.zernike_radius_mm))
    terms += [_dent(dent, piece, light_mm) for dent in built.dents if dent.piece == number]
    terms += [Ripple(**vars(ripple)) for ripple in built.ripples]
    R = piece.R_mirror_from_piece
    if tilt is not None:
        R = R @ rotation_from_vector(np.array([*tilt.tilt_rad, 0.0]))
        if tilt.curvature_per_mm != 0.0:
            terms.append(Cylinder(curvature_per_mm=tilt.curvature_per_mm, axis_rad=tilt.bend_rad))
        if tilt.twist_per_mm != 0.0:
            twist = monomials([(1, 1, tilt.twist_per_mm)])
            terms.append(Polynomial(coefficients=twist, centre_mm=(0.0, 0.0), scale_mm=1.0))
    inside = _outline(piece, built.rim_mm, [hole for hole in built.holes if hole.piece == number])
    return replace(piece, R_mirror_from_piece=R, surface=surface.with_terms(terms), inside=inside, widened=None)


def _outline(piece: Piece, rim_mm: float, holes: list[Hole]) -> Inside:
    """A designed outline, widened, without some holes."""
    if rim_mm == 0.0 and not holes:
        return piece.inside
    panel = piece.widened is not None
    outline = piece.inside if piece.widened is None else piece.widened(rim_mm)

    def inside(x: Array, y: Array, margin: float) -> BoolArray:
        there = outline(x, y, margin if panel else rim_mm + margin)
        for hole in holes:
            hx, hy = hole.position_mm
            there = there & ((x - hx) ** 2 + (y - hy) ** 2 >= max(hole.radius_mm - margin, 0.0) ** 2)
        return there

    return inside


def _dent(dent: Dent, piece: Piece, light_mm: Array) -> GaussianDent:
    """The dent as a change of height: downwards along z where the light comes from above the surface."""
    x, y = (float(v) for v in dent.position_mm)
    z, zx, zy = piece.surface.height_and_slopes(np.array([x]), np.array([y]))
    light = piece.to_own(light_mm[:, None])[:, 0]
    above = (light[2] - z[0]) - zx[0] * (light[0] - x) - zy[0] * (light[1] - y)
    depth_mm = dent.depth_mm if above > 0.0 else -dent.depth_mm
    return GaussianDent(position_mm=(x, y), sigma_mm=dent.sigma_mm, depth_mm=depth_mm)


def _grown_term(term: HeightTerm, factor: float) -> HeightTerm:
    if not isinstance(term, Polynomial):
        return term
    table = term.coefficients.copy()
    i, j = np.indices(table.shape)
    table[i + j == 2] /= factor
    return replace(term, coefficients=table)
