"""How the place where a pixel's light lands changes when parts are moved, optics differ or the mirror's height changes.

All derivatives are analytic: a change of the hit point dP, of the unit normal dn and of the ray direction dd moves the
landing point by dT = dP + ds r + s dr with dr = dd - 2 [(dd.n + d.dn) n + (d.n) dn] and ds such that dT stays in the
table plane (the differential of Spencer and Murty's reflection, 1962, JOSA 52, 672).
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from rigwarp.geometry import Array, BoolArray, plane_hit, reflect
from rigwarp.geometry.polynomials import plane_powers, plane_slopes
from rigwarp.geometry.threads import in_two_threads
from rigwarp.tracing import OpticalModel, Surface
from rigwarp.tracing.surfaces.surface import refine_hit

_HESSIAN_STEP_MM = 0.02  # central differences of slopes: error ~ step^2 * fourth derivative, rounding ~ 1e-16 / step
_OPTICS_STEP = 1e-5
_MAP_ORDER = 3  # spots wander smoothly when parts move by their tolerances: what a cubic leaves is below 1 um
_UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, kw_only=True)
class SpotMap:
    """What is needed of N spots (N, 2) to fit cubic maps from them to something else."""

    spot_mm: Array

    @cached_property
    def _polynomials(self) -> tuple[Array, Array, Array]:
        return spot_polynomials(self.spot_mm, self.spot_mm)

    @cached_property
    def _known(self) -> BoolArray:
        return np.asarray(np.isfinite(self._polynomials[0]).all(axis=-1))

    def strain(self, moves_mm: Array) -> Array:
        """(N, 2, 2, k) derivatives of the map that fits (N, 2, k) positions or moves."""
        n, _, k = moves_mm.shape
        value, by_x, by_y = self._polynomials
        flat = moves_mm.reshape(n, 2 * k)
        good = self._known & np.isfinite(flat).all(axis=-1)
        known, moves = (value, flat) if good.all() else (value[good], flat[good])
        gain = np.linalg.solve(known.T @ known, known.T @ moves)
        strain = np.empty((n, 2, 2, k))
        for j, by in enumerate((by_x, by_y)):
            strain[:, :, j] = (by @ gain).reshape(n, 2, k)
        return strain


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """Height deviation of a surface at N rays, as a function of spots that belong to the rays.

    When parts move, a ray meets the mirror elsewhere and takes its deviation along: a spin of the mirror about its axis
    then changes nothing at all, however rough the deviation is. Slopes follow by the chain rule, with the cubic map
    that best takes spots to where the rays meet the mirror now.

    Attributes
    ----------
    height_mm : (N,)
    slope : (N, 2) by the spots.
    spots : the N spots.
    """

    height_mm: Array
    slope: Array
    spots: SpotMap

    @classmethod
    def none(cls, n: int) -> "Deviation":
        """A surface as designed."""
        return cls(height_mm=np.zeros(n), slope=np.zeros((n, 2)), spots=SpotMap(spot_mm=np.zeros((n, 2))))

    def strain(self, moves_mm: Array) -> Array:
        """(N, 2, 2, k) derivatives by the spots of the smooth map from spots to (N, 2, k) positions or moves.

        [n, i, j]: of component i by spot coordinate j. Zero where nothing deviates and nobody needs it.
        """
        n, _, k = moves_mm.shape
        return self.spots.strain(moves_mm) if self.slope.any() else np.zeros((n, 2, 2, k))


def spot_polynomials(spot_mm: Array, reference_mm: Array) -> tuple[Array, Array, Array]:
    """(N, 10) cubic polynomials of spots (N, 2), scaled by the extent of reference spots, and their derivatives."""
    centre, size = np.nanmean(reference_mm, axis=0), max(float(np.nanstd(reference_mm)), 1e-9)
    place = (spot_mm - centre) / size
    by_x, by_y = plane_slopes(place, _MAP_ORDER)
    return plane_powers(place, _MAP_ORDER), by_x / size, by_y / size


@dataclass(frozen=True, kw_only=True)
class ZoneRays:
    """N rays by way of one mirror surface, table frame unless said otherwise.

    Attributes
    ----------
    direction, point_mm, normal, reflected : (N, 3)
        Ray from the projector, where it meets the mirror, unit normal against the ray, reflected direction.
    design_normal : (N, 3) the same without the height deviation.
    there_mm, way_mm : (N,) distance from the projector to the mirror and from there to the table.
    table_mm : (N, 2) landing point; NaN (like everything else) where a ray does not get there.
    local_mm : (N, 2) x and y of the hit in the surface's own frame.
    axes : (3, 3) R_table_from_surface.
    surface : the design surface.
    deviation, deviation_slope : what is on top of it, and its slopes (N, 2) in the surface frame.
    to_spots : (N, 2, 2) d(spot) / d(surface x, y).
    steepness : (N,) length of (-slope, 1): unit normal = +-(-slope, 1) / steepness.
    side : (N,) +1 where the light comes from the surface frame's +z side, -1 else.
    """

    direction: Array
    point_mm: Array
    normal: Array
    design_normal: Array
    reflected: Array
    there_mm: Array
    way_mm: Array
    table_mm: Array
    local_mm: Array
    axes: Array
    surface: Surface
    deviation: Deviation
    deviation_slope: Array
    to_spots: Array
    steepness: Array
    side: Array

    @cached_property
    def hessian(self) -> Array:
        """(N, 2, 2) second derivatives of the design's height, surface frame, 1/mm."""
        x, y = self.local_mm.T
        h = _HESSIAN_STEP_MM
        by_x = (self.surface.gradient(x + h, y) - self.surface.gradient(x - h, y)) / (2 * h)
        by_y = (self.surface.gradient(x, y + h) - self.surface.gradient(x, y - h)) / (2 * h)
        H = np.stack([by_x, by_y], axis=-1)
        return np.asarray(0.5 * (H + np.swapaxes(H, -1, -2)))

    def landing(self, d_point: Array, d_normal: Array, d_direction: Array | None = None) -> Array:
        """(N, 2) move of the landing point for changes (N, 3) of hit point, normal and ray direction."""
        d, n, r = self.direction, self.normal, self.reflected
        turn = _dot(d, d_normal)
        change = -2.0 * _dot(d, n) * d_normal
        if d_direction is not None:
            turn = turn + _dot(d_direction, n)
            change = change + d_direction
        d_reflected = change - 2.0 * turn * n
        free = d_point + self.way_mm[:, None] * d_reflected
        return free[:, :2] - (free[:, 2:] / r[:, 2:]) * r[:, :2]

    def normal_change(self, d_slope: Array) -> Array:
        """(N, 3) change of the unit normal for a change (N, 2) of the surface's slopes (surface frame)."""
        raw = -(d_slope @ self.axes[:, :2].T) * (self.side / self.steepness)[:, None]
        return raw - _dot(self.normal, raw) * self.normal

    def along_ray(self, displacement: Array) -> Array:
        """(N, 3) move of the hit along the ray when the surface is displaced by (N, 3).

        The height deviation belongs to the ray, so it is the design's tangent plane that is met.
        """
        n = self.design_normal
        return self.direction * (_dot(n, displacement) / _dot(n, self.direction))

    def by_height(self) -> Array:
        """(N, 2, 3): d(table mm) / d(height mm, slopes by the deviation's spots)."""
        up = np.broadcast_to(self.axes[:, 2], self.point_mm.shape)
        d_point = self.along_ray(up)
        still = np.zeros_like(d_point)
        bent = np.einsum("nij,nj->ni", self.hessian, d_point @ self.axes[:, :2])
        columns = [self.landing(d_point, self.normal_change(bent))]
        for k in (0, 1):
            d_slope = np.zeros((len(d_point), 2))
            d_slope[:] = self.to_spots[:, k]
            columns.append(self.landing(still, self.normal_change(d_slope)))
        return np.stack(columns, axis=-1)


def zone_rays(
    model: OpticalModel, surface: Surface, pixels_px: Array, deviation: Deviation, *, height_mm: Array | None = None
) -> ZoneRays:
    """Trace (N, 2) pixels by one surface with a deviation, by its smooth continuation past the aperture.

    `height_mm` (N,) is how high the lit surface stood for each, the table's height where it is left out.
    """
    T = surface.T_mirror_from_surface
    axes = model.mirror.rotation @ T[:3, :3]
    origin_table = model.projector.placement.position_mm
    direction = model.pixel_rays(pixels_px)
    start = (model.mirror.to_part(origin_table) - T[:3, 3]) @ T[:3, :3] - deviation.height_mm[:, None] * _UP
    along = direction @ axes
    there = refine_hit(surface, start, along, surface.first_guesses(start, along)[0])
    base = start + there[:, None] * along
    design_slope = surface.gradient(base[:, 0], base[:, 1])
    side = -np.sign(np.sum(np.concatenate([-design_slope, np.ones((len(base), 1))], axis=-1) * along, axis=-1))
    to_spots = np.broadcast_to(np.eye(2), (len(base), 2, 2))
    if deviation.slope.any():
        to_spots = np.asarray(np.linalg.inv(deviation.strain(base[:, :2, None])[..., 0]), float)
    slope = np.einsum("ni,nij->nj", deviation.slope, to_spots)
    steepness, normal = _normals(design_slope + slope, side, axes)
    point = origin_table + there[:, None] * direction
    reflected = reflect(direction, normal)
    way = plane_hit(point, reflected, model.table_height_mm if height_mm is None else height_mm)
    way = np.where(reflected[:, 2] < 0.0, way, np.nan)
    return ZoneRays(
        direction=direction,
        point_mm=point,
        normal=normal,
        design_normal=_normals(design_slope, side, axes)[1],
        reflected=reflected,
        there_mm=there,
        way_mm=way,
        table_mm=(point + way[:, None] * reflected)[:, :2],
        local_mm=base[:, :2],
        axes=axes,
        surface=surface,
        deviation=deviation,
        deviation_slope=slope,
        to_spots=to_spots,
        steepness=steepness,
        side=side,
    )


def mounting_jacobian(model: OpticalModel, rays: ZoneRays, pixels_px: Array) -> Array:
    """(N, 2, 15): d(table mm) / d(projector shift, turn, mirror shift, turn, throw share, lens shift x, y), mm and rad.

    Shifts and turns are increments along table axes, turns about the parts' own origins, as `OpticalModel.moved` has
    them; `throw share` is the relative growth of the throw ratio.
    """
    d, n = rays.direction, rays.normal
    arm = rays.point_mm - model.mirror.position_mm
    changes: dict[int, _Change] = {}
    for k, axis in enumerate(np.eye(3)):
        e = np.broadcast_to(axis, d.shape)
        d_point = e - rays.along_ray(e)
        changes[k] = _Change(point=d_point, on_mirror=d_point)
        changes[3 + k] = _by_direction(rays, np.cross(axis, d))
        d_point = rays.along_ray(e)
        changes[6 + k] = _Change(point=d_point, on_mirror=d_point - e)
        displaced = np.cross(axis, arm)
        d_point = rays.along_ray(displaced)
        changes[9 + k] = _Change(point=d_point, on_mirror=d_point - displaced, normal=np.cross(axis, n))
    for k in range(3):
        step = _OPTICS_STEP * np.eye(3)[k]
        ahead, behind = (with_optics(model, s).pixel_rays(pixels_px) for s in (step, -step))
        changes[12 + k] = _by_direction(rays, (ahead - behind) / (2.0 * _OPTICS_STEP))
    ordered = [changes[k] for k in range(15)]
    moves = np.stack([c.on_mirror @ rays.axes[:, :2] for c in ordered], axis=-1)
    strain = rays.deviation.strain(moves)
    bent = _slope_changes(rays, moves, strain)

    def column(k: int) -> Array:
        d_normal = rays.normal_change(bent[:, k]) + ordered[k].normal
        return rays.landing(ordered[k].point, d_normal, ordered[k].direction)

    return np.stack(in_two_threads(column, range(len(ordered))), axis=-1)


def _slope_changes(rays: ZoneRays, moves: Array, strain: Array) -> Array:
    """(N, k, 2) changes of the slopes when hits move by (N, 2, k) along the mirror, spots straining by (N, 2, 2, k).

    H move - g (strain B) with the design's second derivatives H and the deviation's slopes g: written out, because
    products of many 2 x 2 matrices are slow.
    """
    H, g, B = rays.hessian[..., None], rays.deviation_slope[..., None], rays.to_spots[..., None]
    pulled = [g[:, 0] * strain[:, 0, j] + g[:, 1] * strain[:, 1, j] for j in (0, 1)]
    parts = [
        H[:, i, 0] * moves[:, 0] + H[:, i, 1] * moves[:, 1] - pulled[0] * B[:, 0, i] - pulled[1] * B[:, 1, i]
        for i in (0, 1)
    ]
    return np.stack(parts, axis=-1)


@dataclass(frozen=True, kw_only=True)
class _Change:
    """What one unit of a parameter does, (N, 3) each: to the hit point, to the spot relative to the mirror's body, to
    the normal by turning it, and to the ray's direction."""

    point: Array
    on_mirror: Array
    normal: Array | float = 0.0
    direction: Array | None = None


def with_optics(model: OpticalModel, change: Array) -> OpticalModel:
    """The model with throw ratio grown by the share change[0] and lens shift moved by change[1:3]."""
    projector = model.projector
    shift = (projector.lens_shift[0] + float(change[1]), projector.lens_shift[1] + float(change[2]))
    grown = replace(projector, throw_ratio=projector.throw_ratio * (1.0 + float(change[0])), lens_shift=shift)
    return replace(model, projector=grown)


def _by_direction(rays: ZoneRays, d_direction: Array) -> _Change:
    """A change (N, 3) of the rays leaving the same centre of projection."""
    free = rays.there_mm[:, None] * d_direction
    d_point = free - rays.along_ray(free)
    return _Change(point=d_point, on_mirror=d_point, direction=d_direction)


def _normals(slope: Array, side: Array, axes: Array) -> tuple[Array, Array]:
    """Steepness (N,) and unit normals (N, 3), table frame, of slopes (N, 2) in a surface frame."""
    steepness = np.sqrt(1.0 + slope[:, 0] ** 2 + slope[:, 1] ** 2)
    upward = np.concatenate([-slope, np.ones((len(slope), 1))], axis=-1)
    return steepness, ((side / steepness)[:, None] * upward) @ axes.T


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", a, b))[..., None]
