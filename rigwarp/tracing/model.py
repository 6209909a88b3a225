"""The designed light path: projector, mirror surfaces, obstacles, table; and tracing single pixels through it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, Placement, normalize, plane_hit, reflect
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Projector
from rigwarp.tracing.shadows import Blockers
from rigwarp.tracing.surfaces import FiguredSurface, Surface, refine_hit, unit_normals


class Reason(IntEnum):
    """What becomes of a pixel's light."""

    LIT = 0
    """It reaches the table by one reflection."""
    MISSES_MIRROR = 1
    """It passes the mirror and does not reach the table either."""
    SPILL = 2
    """It passes the mirror and reaches the table plane directly."""
    SHADOW_IN = 3
    """An obstacle blocks it on its way to the mirror."""
    SHADOW_OUT = 4
    """An obstacle blocks it on its way from the mirror to the table."""
    UPWARD = 5
    """It leaves the mirror without ever coming down to the table."""
    DOUBLE_BOUNCE = 6
    """It meets the mirror a second time."""


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Where pixels' light goes; leading shape (...,) is that of the pixels asked for.

    Attributes
    ----------
    table_mm : (..., 2) table position, NaN where no light gets to the table.
    mirror_mm : (..., 3) point on the mirror, mirror frame; NaN where the mirror is missed.
    normal : (..., 3) unit normal there, mirror frame, on the side that the light comes from.
    zone : (...,) int16 number of the surface, NO_LIGHT where no light gets to the table.
    reason : (...,) uint8, one of `Reason`.
    """

    table_mm: Array
    mirror_mm: Array
    normal: Array
    zone: NDArray[np.int16]
    reason: NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class MirrorHit:
    """Rays at the mirror, mirror frame: point (..., 3), normal (..., 3) against the ray, zone (...,) or NO_LIGHT."""

    mirror_mm: Array
    normal: Array
    zone: NDArray[np.int16]


@dataclass(frozen=True, kw_only=True)
class OpticalModel:
    """A rig's designed light path. Immutable: `moved` and `with_figure` give new models."""

    projector: Projector
    mirror: Placement
    surfaces: tuple[Surface, ...]
    blockers: Blockers
    table_height_mm: float

    @property
    def T_table_from_mirror(self) -> Array:
        """(4, 4), mm."""
        return self.mirror.T_table_from_part

    def pixel_rays(self, pixels_px: Array) -> Array:
        """(..., 2) pixels to (..., 3) unit directions in the table frame."""
        pixels = np.asarray(pixels_px, float)
        sideways = (pixels - self.projector.principal_px) / self.projector.focal_px
        ahead = np.concatenate([sideways, np.ones((*sideways.shape[:-1], 1))], axis=-1)
        return normalize(ahead) @ self.projector.placement.rotation.T

    def trace(self, pixels_px: Array, *, extended: bool = False, zone: int | None = None) -> Trace:
        """Follow pixels' light to the table.

        Parameters
        ----------
        pixels_px : (..., 2)
            Projector pixels (may be fractional or outside the picture); NaN gives NaN.
        extended : bool
            Ignore apertures and everything that blocks light: the smooth continuation, on the surface whose aperture
            is nearest.
        zone : int, optional
            Consider this surface only.
        """
        directions = self.pixel_rays(pixels_px)
        hit = self.mirror_hit(directions, extended=extended, zone=zone)
        return self.follow(directions, hit, extended=extended)

    def mirror_hit(self, directions: Array, *, extended: bool = False, zone: int | None = None) -> MirrorHit:
        """Where rays from the projector (..., 3), unit, table frame, first meet the mirror."""
        shape = directions.shape[:-1]
        rays = directions.reshape(-1, 3) @ self.mirror.rotation
        origin = self.mirror.to_part(self.projector.placement.position_mm)
        best = np.full(len(rays), np.inf)
        gap = np.full(len(rays), np.inf)
        point, normal = np.full((len(rays), 3), np.nan), np.full((len(rays), 3), np.nan)
        number = np.full(len(rays), NO_LIGHT, np.int16)
        for surface in self.surfaces:
            if zone is not None and surface.zone != zone:
                continue
            distance, outside, here, n = meet_surface(surface, origin, rays, extended=extended)
            nearer = (outside < gap) | ((outside == gap) & (distance < best))
            best[nearer], gap[nearer] = distance[nearer], outside[nearer]
            point[nearer], normal[nearer], number[nearer] = here[nearer], n[nearer], surface.zone
        return MirrorHit(
            mirror_mm=point.reshape(*shape, 3), normal=normal.reshape(*shape, 3), zone=number.reshape(shape)
        )

    def follow(self, directions: Array, hit: MirrorHit, *, extended: bool = False) -> Trace:
        """From the mirror to the table: reflect, meet the table plane, look for what blocks the way."""
        reflected = reflect(directions, hit.normal @ self.mirror.rotation.T)
        at_mirror = self.mirror.to_table(hit.mirror_mm)
        return self.land(directions, at_mirror, reflected, hit, extended=extended)

    def land(
        self, directions: Array, at_mirror_mm: Array, reflected: Array, hit: MirrorHit, *, extended: bool
    ) -> Trace:
        """`follow` with the reflected directions (table frame) already known."""
        distance = plane_hit(at_mirror_mm, reflected, self.table_height_mm)
        on_table = at_mirror_mm + distance[..., None] * reflected
        missed = np.isnan(hit.mirror_mm[..., 0])
        reason = np.full(missed.shape, Reason.LIT, np.uint8)
        reason[~missed & ~(reflected[..., 2] < 0.0)] = Reason.UPWARD
        reason[~missed & np.isnan(distance)] = Reason.UPWARD
        reason[missed] = Reason.MISSES_MIRROR
        if not extended:
            source = np.broadcast_to(self.projector.placement.position_mm, at_mirror_mm.shape)
            direct = plane_hit(source, directions, self.table_height_mm)
            reason[missed & np.isfinite(direct) & (directions[..., 2] < 0.0)] = Reason.SPILL
            self._mark_shadows(reason, at_mirror_mm, on_table)
        lit = reason == Reason.LIT
        return Trace(
            table_mm=np.where(lit[..., None], on_table[..., :2], np.nan),
            mirror_mm=hit.mirror_mm,
            normal=hit.normal,
            zone=np.where(lit, hit.zone, NO_LIGHT).astype(np.int16),
            reason=reason,
        )

    def moved(
        self, projector_shift_mm: Array, projector_turn_rad: Array, mirror_shift_mm: Array, mirror_turn_rad: Array
    ) -> "OpticalModel":
        """The same parts mounted elsewhere: shifts and rotation vectors (3,) along table axes, about their origins."""
        placement = self.projector.placement.moved(projector_shift_mm, projector_turn_rad)
        return replace(
            self,
            projector=replace(self.projector, placement=placement),
            mirror=self.mirror.moved(mirror_shift_mm, mirror_turn_rad),
        )

    def with_figure(self, figures: Mapping[int, HeightSpline]) -> "OpticalModel":
        """The same model with smooth height deviations (surface frame, mm) added to the named zones."""
        surfaces = tuple(
            FiguredSurface(base=s, figure=figures[s.zone]) if s.zone in figures else s for s in self.surfaces
        )
        return replace(self, surfaces=surfaces)

    def _mark_shadows(self, reason: NDArray[np.uint8], at_mirror_mm: Array, on_table_mm: Array) -> None:
        lit = reason == Reason.LIT
        way_in = np.where(np.isfinite(at_mirror_mm), at_mirror_mm, np.nan)
        reason[self.blockers.block(self.projector.placement.position_mm, way_in)] = Reason.SHADOW_IN
        way_out = np.where((lit & (reason == Reason.LIT))[..., None], on_table_mm, np.nan)
        reason[self.blockers.block(at_mirror_mm, way_out)] = Reason.SHADOW_OUT


def meet_surface(
    surface: Surface, origin_mm: Array, rays: Array, *, extended: bool
) -> tuple[Array, Array, Array, Array]:
    """Meet one surface with rays (N, 3) from one point (3,), mirror frame.

    Returns
    -------
    distance (N,), sideways distance from the aperture (N,), point (N, 3), normal against the ray (N, 3); mirror frame.
    Rays that do not meet the surface have infinite distances.
    """
    T = surface.T_mirror_from_surface
    R = T[:3, :3]
    origin, local = (origin_mm - T[:3, 3]) @ R, rays @ R
    distance, outside = np.full(len(rays), np.inf), np.full(len(rays), np.inf)
    guesses = surface.first_guesses(origin, local)
    for guess in guesses[:1] if extended else guesses:
        found = refine_hit(surface, origin, local, guess)
        p = origin + found[:, None] * local
        out = surface.outside_mm(p[:, 0], p[:, 1])
        with np.errstate(invalid="ignore"):
            better = (found > 0.0) & (found < distance) & (extended | (out == 0.0))
        distance[better], outside[better] = found[better], out[better]
    known = np.isfinite(distance)
    p = np.where(known[:, None], origin + np.where(known, distance, 0.0)[:, None] * local, np.nan)
    n = unit_normals(surface, p[:, 0], p[:, 1])
    n = np.where(np.sum(n * local, axis=-1, keepdims=True) > 0.0, -n, n)
    return distance, outside, p @ R.T + T[:3, 3], n @ R.T
