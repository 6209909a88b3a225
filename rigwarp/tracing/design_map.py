"""The design map: where every projector pixel should land, by tracing a coarse grid and interpolating per surface."""

import numpy as np
from scipy import sparse

from rigwarp.geometry import Array, PixelMap, normalize
from rigwarp.tracing.model import MirrorHit, OpticalModel, Trace, meet_surface
from rigwarp.tracing.scan_grid import grid_axis, interpolation_matrix, pixel_grid
from rigwarp.tracing.surfaces import Surface

_REACH = 2.0  # a slope error s moves the reflected ray by 2 s


def trace_map(model: OpticalModel, step_px: int = 8) -> PixelMap:
    """Trace all pixels of the projector.

    Parameters
    ----------
    model : OpticalModel
    step_px : int
        Spacing of the traced grid; positions and directions in between are interpolated on the smooth continuation of
        each surface, apertures and shadows are judged for every pixel. 1 traces every pixel (the check path).

    Returns
    -------
    PixelMap
        `measured` is False everywhere; `sigma_mm` is the surface fit's uncertainty carried to the table.
    """
    trace = trace_pixels(model, step_px=step_px)
    width, height = model.projector.resolution
    return PixelMap(
        x_mm=trace.table_mm[..., 0].copy(),
        y_mm=trace.table_mm[..., 1].copy(),
        sigma_mm=_table_sigma(model, trace),
        zone=trace.zone,
        measured=np.zeros((height, width), bool),
    )


def trace_pixels(model: OpticalModel, *, step_px: int = 8) -> Trace:
    """The full `Trace` of every projector pixel, (H, W, ...); see `trace_map`."""
    pixels = pixel_grid(model.projector.resolution)
    directions = model.pixel_rays(pixels)
    if step_px == 1:
        return model.follow(directions, model.mirror_hit(directions))
    shape = directions.shape[:2]
    best = np.full(shape, np.inf)
    hit = MirrorHit(
        mirror_mm=np.full((*shape, 3), np.nan), normal=np.full((*shape, 3), np.nan), zone=np.full(shape, -1, np.int16)
    )
    for surface in model.surfaces:
        distance, point, normal = _dense_from_coarse(model, surface, directions, step_px=step_px)
        nearer = distance < best
        best[nearer] = distance[nearer]
        hit.mirror_mm[nearer], hit.normal[nearer], hit.zone[nearer] = point[nearer], normal[nearer], surface.zone
    return model.follow(directions, hit)


def _dense_from_coarse(
    model: OpticalModel, surface: Surface, directions: Array, *, step_px: int
) -> tuple[Array, Array, Array]:
    """Distance (H, W), inf outside the aperture, and point and normal (H, W, 3) where each pixel meets a surface."""
    origin = model.mirror.to_part(model.projector.placement.position_mm)
    resolution = model.projector.resolution
    rays = model.pixel_rays(pixel_grid(resolution, step_px=step_px)) @ model.mirror.rotation
    coarse_shape = rays.shape[:2]
    distance, _, _, normal = meet_surface(surface, origin, rays.reshape(-1, 3), extended=True)
    distance = np.where(np.isfinite(distance), distance, np.nan)
    across, down = (interpolation_matrix(grid_axis(n, step_px), np.arange(float(n))) for n in resolution)
    dense = _spread(distance.reshape(coarse_shape), down, across)
    n = np.stack([_spread(normal[:, i].reshape(coarse_shape), down, across) for i in range(3)], axis=-1)
    dense_rays = directions @ model.mirror.rotation
    point = origin + dense[..., None] * dense_rays
    T = surface.T_mirror_from_surface
    local = (point - T[:3, 3]) @ T[:3, :3]
    inside = surface.inside(local[..., 0], local[..., 1])
    return np.where(inside & (dense > 0.0), dense, np.inf), point, normalize(n)


def _spread(coarse: Array, down: sparse.csr_matrix, across: sparse.csr_matrix) -> Array:
    return np.asarray((across @ (down @ coarse).T).T)


def _table_sigma(model: OpticalModel, trace: Trace) -> Array:
    """(H, W) 1-sigma per axis, mm: slope uncertainty of the surface times twice the way to the table."""
    sigma = np.full(trace.zone.shape, np.nan)
    for surface in model.surfaces:
        here = trace.zone == surface.zone
        T = surface.T_mirror_from_surface
        local = (trace.mirror_mm[here] - T[:3, 3]) @ T[:3, :3]
        landed = np.concatenate([trace.table_mm[here], np.full((len(local), 1), model.table_height_mm)], axis=-1)
        way = np.linalg.norm(landed - model.mirror.to_table(trace.mirror_mm[here]), axis=-1)
        sigma[here] = _REACH * way * _slope_sigma(surface, local)
    return sigma


def _slope_sigma(surface: Surface, local: Array) -> Array:
    """Slope uncertainty at many points, from a grid of 33 x 33 over the aperture: it varies slowly."""
    (x0, x1), (y0, y1) = surface.bounds_mm
    gx, gy = np.meshgrid(np.linspace(x0, x1, 33), np.linspace(y0, y1, 33), indexing="ij")
    grid = surface.slope_sigma(gx, gy)
    if not grid.any():
        return np.zeros(len(local))
    i = np.clip(np.rint((local[:, 0] - x0) / (x1 - x0) * 32), 0, 32).astype(int)
    j = np.clip(np.rint((local[:, 1] - y0) / (y1 - y0) * 32), 0, 32).astype(int)
    return grid[i, j]
