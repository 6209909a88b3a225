"""The designed light path: projector, mirror surfaces, obstacles, table; and tracing single pixels through it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, IntArray, Placement, normalize, plane_hit, reflect
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Projector
from rigwarp.tracing.cad.cad_faces import CadFaces
from rigwarp.tracing.pinhole import pixel_rays
from rigwarp.tracing.reasons import LightFate
from rigwarp.tracing.shadows import Blockers, MirrorShade
from rigwarp.tracing.surfaces.surface import FiguredSurface, Surface, meet_surface


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Where pixels' light goes; leading shape (...,) is that of the pixels asked for.

    Attributes
    ----------
    table_mm : (..., 2) table position, NaN where no light gets to the table.
    mirror_mm : (..., 3) point on the mirror, mirror frame; NaN where the mirror is missed.
    normal : (..., 3) unit normal there, mirror frame, on the side that the light comes from.
    zone : (...,) int16 number of the surface, NO_LIGHT where no light gets to the table.
    reason : (...,) uint8, one of `LightFate`.
    """

    table_mm: Array
    mirror_mm: Array
    normal: Array
    zone: NDArray[np.int16]
    reason: NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class Reflection:
    """Light as it leaves the mirror, table frame.

    Attributes
    ----------
    at_mirror_mm : (..., 3) point on the mirror, NaN where the mirror is missed.
    reflected : (..., 3) direction from there, about of unit length.
    zone : (...,) int16 number of the surface, NO_LIGHT where the mirror is missed.
    """

    at_mirror_mm: Array
    reflected: Array
    zone: NDArray[np.int16]


@dataclass(frozen=True, kw_only=True)
class OpticalModel:
    """A rig's designed light path. Immutable: `moved` and `with_figure` give new models.

    Attributes
    ----------
    projector, mirror : where they stand.
    surfaces : one per zone.
    blockers, shade : what obstacles (table frame) and the mirror's own body (mirror frame) keep from passing.
    table_height_mm : of the lit plane.
    cad : the faces of a mirror from CAD; None for mirrors in closed form.
    """

    projector: Projector
    mirror: Placement
    surfaces: tuple[Surface, ...]
    blockers: Blockers
    shade: MirrorShade
    table_height_mm: float
    cad: CadFaces | None = None

    def pixel_rays(self, pixels_px: Array) -> Array:
        """(..., 2) pixels to (..., 3) unit directions in the table frame."""
        return pixel_rays(self.projector, pixels_px)

    def trace(self, pixels_px: Array, *, extended: bool = False, zone: int | None = None) -> Trace:
        """Follow pixels' light to the table.

        Parameters
        ----------
        pixels_px : (..., 2) projector pixels (may be fractional or outside the picture); NaN gives NaN.
        extended : bool
            Ignore apertures and everything that blocks light: the smooth continuation, on the surface whose aperture
            is nearest.
        zone : consider this surface only.
        """
        pixels = np.asarray(pixels_px, float)
        directions = self.pixel_rays(pixels.reshape(-1, 2))
        light = self.reflection(directions, extended=extended, zone=zone)
        on_table = self.landing_mm(light)
        if extended:
            reason = fate_without_obstacles(light.at_mirror_mm, on_table)
        else:
            reason = self.reasons(directions, light, on_table)
        return self.as_trace(pixels.shape[:-1], directions, light, on_table, reason)

    def reflection(self, directions: Array, *, extended: bool = False, zone: int | None = None) -> Reflection:
        """Where rays from the projector (N, 3), unit, table frame, first meet the mirror and how they leave it."""
        rays = directions @ self.mirror.rotation
        n = len(rays)
        best, gap = np.full(n, np.inf), np.full(n, np.inf)
        point, normal = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
        number = np.full(n, NO_LIGHT, np.int16)
        candidates = [s for s in self.surfaces if zone is None or s.zone == zone]
        for surface in candidates:
            met = meet_surface(surface, self.source_in_mirror_mm, rays, extended=extended)
            known = np.isfinite(met.distance_mm)
            outside = np.where(known, 0.0, np.inf)
            if extended and len(candidates) > 1:
                outside[known] = surface.outside_mm(met.local_mm[known, 0], met.local_mm[known, 1])
            nearer = (outside < gap) | ((outside == gap) & (met.distance_mm < best))
            best[nearer], gap[nearer] = met.distance_mm[nearer], outside[nearer]
            point[nearer], normal[nearer], number[nearer] = met.point_mm[nearer], met.normal[nearer], surface.zone
        return Reflection(
            at_mirror_mm=self.mirror.to_table(point),
            reflected=reflect(rays, normal) @ self.mirror.rotation.T,
            zone=number,
        )

    @property
    def source_in_mirror_mm(self) -> Array:
        """(3,) the projector's centre of projection in the mirror frame."""
        return self.mirror.to_part(self.projector.placement.position_mm)

    def landing_mm(self, light: Reflection) -> Array:
        """(..., 3) where reflected light comes down on the table plane; NaN where it does not."""
        distance = plane_hit(light.at_mirror_mm, light.reflected, self.table_height_mm)
        with np.errstate(invalid="ignore"):
            distance = np.where(light.reflected[..., 2] < 0.0, distance, np.nan)
        return light.at_mirror_mm + distance[..., None] * light.reflected

    def reasons(self, directions: Array, light: Reflection, on_table_mm: Array) -> NDArray[np.uint8]:
        """(N,) `LightFate` of rays (N, 3), table frame, with everything in the way."""
        reason = fate_without_obstacles(light.at_mirror_mm, on_table_mm)
        missed = np.flatnonzero(reason == LightFate.MISSES_MIRROR)
        met = np.flatnonzero(reason != LightFate.MISSES_MIRROR)
        reason[missed] = self.past_mirror(directions[missed])
        reason[met] = self.shaded(reason[met], directions[met], light, on_table_mm, met)
        return self.obstructed(reason, light.at_mirror_mm, on_table_mm)

    def past_mirror(self, directions: Array) -> NDArray[np.uint8]:
        """(N,) SPILL, STRAY or MISSES_MIRROR for rays (N, 3), table frame, that meet no piece of mirror."""
        source = np.broadcast_to(self.projector.placement.position_mm, directions.shape)
        spills = np.isfinite(plane_hit(source, directions, self.table_height_mm)) & (directions[:, 2] < 0.0)
        reason = np.where(spills, LightFate.SPILL, LightFate.MISSES_MIRROR).astype(np.uint8)
        if self.cad is not None:
            rays = directions @ self.mirror.rotation
            triangle, _ = self.cad.body.first(np.broadcast_to(self.source_in_mirror_mm, rays.shape), rays)
            reason[triangle >= 0] = LightFate.STRAY
        return reason

    def stray_spots_mm(self, directions: Array) -> Array:
        """(N, 2) where rays (N, 3), table frame, that went astray land by way of the face they meet; NaN if nowhere."""
        if self.cad is None:
            return np.full((len(directions), 2), np.nan)
        at, out = self.cad.glints(self.source_in_mirror_mm, directions @ self.mirror.rotation)
        light = Reflection(
            at_mirror_mm=self.mirror.to_table(at),
            reflected=out @ self.mirror.rotation.T,
            zone=np.full(len(at), NO_LIGHT, np.int16),
        )
        return self.landing_mm(light)[:, :2]

    def obstructed(self, reason: NDArray[np.uint8], at_mirror_mm: Array, on_table_mm: Array) -> NDArray[np.uint8]:
        """`reason` (N,) with the obstacles' shadows written in."""
        if not self.blockers.any:
            return reason
        reason = reason.copy()
        source = self.projector.placement.position_mm
        met = np.flatnonzero(~np.isin(reason, (LightFate.MISSES_MIRROR, LightFate.SPILL, LightFate.STRAY)))
        reason[met[self.blockers.block(source, at_mirror_mm[met])]] = LightFate.SHADOW_IN
        lit = np.flatnonzero(reason == LightFate.LIT)
        reason[lit[self.blockers.block(at_mirror_mm[lit], on_table_mm[lit])]] = LightFate.SHADOW_OUT
        return reason

    def shaded(
        self, reason: NDArray[np.uint8], directions: Array, light: Reflection, on_table_mm: Array, rows: IntArray
    ) -> NDArray[np.uint8]:
        """`reason` (K,) of the rays numbered `rows` into `light`, with what the mirror's own body does to them."""
        reason = reason.copy()
        R, source = self.mirror.rotation, self.source_in_mirror_mm
        point = self.mirror.to_part(light.at_mirror_mm[rows])
        out = light.reflected[rows] @ R
        normal = normalize(out - directions @ R)
        length = np.where(
            reason == LightFate.LIT, np.linalg.norm(on_table_mm[rows] - light.at_mirror_mm[rows], axis=1), np.inf
        )
        again, reflecting = self.shade.on_way_out(source, point, normal, out, length)
        reason[again & (reason == LightFate.LIT)] = LightFate.SHADOW_OUT
        reason[reflecting] = LightFate.DOUBLE_BOUNCE
        reason[self.shade.on_way_in(source, point, normal)] = LightFate.SHADOW_IN
        return reason

    def as_trace(
        self,
        shape: tuple[int, ...],
        directions: Array,
        light: Reflection,
        on_table_mm: Array,
        reason: NDArray[np.uint8],
    ) -> Trace:
        """Results of N rays in the shape that was asked for."""
        lit = reason == LightFate.LIT
        normal = normalize(light.reflected - directions) @ self.mirror.rotation
        return Trace(
            table_mm=np.where(lit[:, None], on_table_mm[:, :2], np.nan).reshape(*shape, 2),
            mirror_mm=self.mirror.to_part(light.at_mirror_mm).reshape(*shape, 3),
            normal=normal.reshape(*shape, 3),
            zone=np.where(lit, light.zone, NO_LIGHT).astype(np.int16).reshape(shape),
            reason=reason.reshape(shape),
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


def fate_without_obstacles(at_mirror_mm: Array, on_table_mm: Array) -> NDArray[np.uint8]:
    """(N,) LIT, UPWARD or MISSES_MIRROR."""
    reason = np.where(np.isnan(on_table_mm[:, 0]), LightFate.UPWARD, LightFate.LIT).astype(np.uint8)
    reason[np.isnan(at_mirror_mm[:, 0])] = LightFate.MISSES_MIRROR
    return reason
