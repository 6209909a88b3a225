"""The lit part of the mirror as a grid in the mirror frame, and the design's points on it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, Rows
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.tracing import OpticalModel, Surface
from rigwarp.tracing.surfaces.surface import refine_hit

_NODES_ACROSS = 100
_NICE_MM = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0)
_REACH = 0.75  # a grid point counts as lit when light was measured this close, in sample or grid spacings
_STEEPEST = 0.1  # cosine between mirror z and the surface normal: steeper pieces have no height along z


@dataclass(frozen=True, kw_only=True)
class SurfacePoints(Rows):
    """Points of design surfaces above mirror x, y, mirror frame.

    Attributes
    ----------
    point_mm : (n, 3)
    upward : (n, 3) normal scaled to z = 1: (-dz/dx, -dz/dy, 1).
    local_mm : (n, 2) the same points in their surface's frame.
    per_height : (n,) height along mirror z per height along the surface's own z.
    """

    point_mm: Array
    upward: Array
    local_mm: Array
    per_height: Array


@dataclass(frozen=True, kw_only=True)
class Footprint:
    """Grid over the lit part of the mirror.

    Attributes
    ----------
    x_mm (nx,), y_mm (ny,) : grid lines, mirror frame.
    zone : (ny, nx) int16, NO_LIGHT outside.
    points : the n lit grid points in the order of `lit`.
    side : +1 where the reflecting side looks towards the mirror's +z, -1 else.
    """

    x_mm: Array
    y_mm: Array
    zone: NDArray[np.int16]
    points: SurfacePoints
    side: float

    @property
    def lit(self) -> BoolArray:
        """(ny, nx)"""
        return self.zone != NO_LIGHT

    def spread(self, values: Array) -> Array:
        """(ny, nx) picture of (n,) values, NaN outside the lit part."""
        picture = np.full(self.zone.shape, np.nan)
        picture[self.lit] = values
        return picture


def footprint(model: OpticalModel, hits_mm: Array, hit_zone: NDArray[np.int64], normals: Array) -> Footprint:
    """The grid over hits (N, 3) of measured light on the mirror, normals (N, 3) against the light; mirror frame."""
    low, high = hits_mm[:, :2].min(axis=0), hits_mm[:, :2].max(axis=0)
    spacing = next((s for s in _NICE_MM if s * _NODES_ACROSS >= (high - low).max()), _NICE_MM[-1])
    first, last = np.floor(low / spacing), np.ceil(high / spacing)
    x, y = (spacing * np.arange(a, b + 1) for a, b in zip(first, last, strict=True))
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    tree = cKDTree(hits_mm[:, :2])
    to_next = np.asarray(tree.query(hits_mm[:, :2], k=2)[0])[:, 1]
    distance, nearest = (np.asarray(a) for a in tree.query(grid.reshape(-1, 2)))
    zone = np.where(distance <= _REACH * max(spacing, float(np.percentile(to_next, 95))), hit_zone[nearest], NO_LIGHT)
    zone = zone.reshape(grid.shape[:2]).astype(np.int16)
    points = zone_points(model.surfaces, grid, zone)
    flat_enough = points.upward[:, 2] / np.linalg.norm(points.upward, axis=-1) > _STEEPEST
    lit = zone != NO_LIGHT
    zone[lit] = np.where(flat_enough, zone[lit], NO_LIGHT)
    return Footprint(
        x_mm=x,
        y_mm=y,
        zone=zone,
        points=points.only(flat_enough),
        side=float(np.sign(np.mean(normals[:, 2])) or 1.0),
    )


def zone_points(surfaces: Sequence[Surface], grid_mm: Array, zone: NDArray[np.int16]) -> SurfacePoints:
    """The design's points above the grid points (ny, nx, 2) whose zone is not NO_LIGHT, each on its zone's surface."""
    lit = zone != NO_LIGHT
    xy, number = grid_mm[lit], zone[lit]
    parts = [np.full((len(xy), width), np.nan) for width in (3, 3, 2, 1)]
    for surface in surfaces:
        here = number == surface.zone
        if here.any():
            for part, values in zip(parts, _above(surface, xy[here]), strict=True):
                part[here] = values
    return SurfacePoints(point_mm=parts[0], upward=parts[1], local_mm=parts[2], per_height=parts[3][:, 0])


def nearest_surface(surfaces: Sequence[Surface], grid_mm: Array) -> NDArray[np.int16]:
    """(ny, nx) zone of the surface whose aperture is nearest to each grid point (ny, nx, 2)."""
    flat = grid_mm.reshape(-1, 2)
    best, zone = np.full(len(flat), np.inf), np.full(len(flat), NO_LIGHT, np.int16)
    for surface in surfaces:
        local = _above(surface, flat)[2]
        outside = surface.outside_mm(local[:, 0], local[:, 1])
        nearer = outside < best
        best[nearer], zone[nearer] = outside[nearer], surface.zone
    return zone.reshape(grid_mm.shape[:2])


def _above(surface: Surface, xy_mm: Array) -> tuple[Array, Array, Array, Array]:
    """Point, upward normal, local x y and height ratio (n, 1) of a surface above mirror (n, 2)."""
    T = surface.T_mirror_from_surface
    R = T[:3, :3]
    start = (np.concatenate([xy_mm, np.zeros((len(xy_mm), 1))], axis=-1) - T[:3, 3]) @ R
    along = np.broadcast_to(R[2], start.shape)
    found = refine_hit(surface, start, along, surface.first_guesses(start, along)[0])
    local = start + found[:, None] * along
    slope = surface.gradient(local[:, 0], local[:, 1])
    normal = np.concatenate([-slope, np.ones((len(slope), 1))], axis=-1) @ R.T
    with np.errstate(divide="ignore", invalid="ignore"):
        upward = normal / normal[:, 2:]
        ratio = 1.0 / normal[:, 2:]
    return local @ R.T + T[:3, 3], upward, local[:, :2], ratio
