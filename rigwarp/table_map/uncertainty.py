"""The two parts of a position's uncertainty, on the projector grid."""

import numpy as np
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import map_coordinates

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, BoolArray, at_height
from rigwarp.table_map.misfit import Misfit
from rigwarp.table_map.smooth import SmoothSurface
from rigwarp.table_map.support import pixel_centres

_STEP_PX = 8  # both parts vary slowly: worked out on a grid and interpolated
_TABLE_NODES = 25
LENS_PX = 0.01  # camera pixels by which real lenses stray from their model; common practice, no source


def spread_sigma(surface: SmoothSurface, misfit: Misfit, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """(H, W), (H, W) random 1-sigma per axis of a fitted surface, mm: from decode noise alone, and as a whole.

    Decode noise carried through the fit; the whole has the noise as large as the held-out samples thereabouts show it,
    and what the surface does not follow besides.
    """
    rows, columns = (np.arange(0, n + _STEP_PX, _STEP_PX, dtype=float) for n in shape)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    low, high = np.array(surface.x.bounds_mm).T
    noise = surface.sigma(np.clip(grid.reshape(-1, 2), low, high)).reshape(grid.shape[:2])
    at = np.moveaxis(pixel_centres(shape)[..., ::-1] / _STEP_PX, -1, 0)
    unfollowed, ratio = misfit.at(grid)
    from_noise, whole = (
        np.asarray(map_coordinates(sigma, at, order=1, mode="nearest"))
        for sigma in (noise, np.sqrt(ratio * (noise**2 + unfollowed)))
    )
    return from_noise, whole


def common_sigma(
    camera: CameraModel, height_mm: float, table_mm: Array, answered: BoolArray, *, motion_px: float = 0.0
) -> Array:
    """(H, W) 1-sigma per axis that lens, pose and motion of the camera leave on neighbouring positions alike, mm.

    The camera's own covariance (nothing where its file states none), what no five-term lens model gets right, and
    `motion_px` camera pixels by which the place of the photographs is uncertain; NaN where unanswered.
    """
    common = np.full(answered.shape, np.nan)
    where = table_mm[answered]
    axes = [np.linspace(a, b, _TABLE_NODES) for a, b in zip(where.min(axis=0), where.max(axis=0), strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    pixels = camera.project(at_height(grid, height_mm))
    covariance = camera.plane_covariance(pixels, height_mm)
    scale_mm = np.sqrt(np.sum(camera.plane_jacobian(pixels, height_mm) ** 2, axis=(-1, -2)) / 2.0)
    sigma = np.sqrt((covariance[..., 0, 0] + covariance[..., 1, 1]) / 2.0 + (LENS_PX**2 + motion_px**2) * scale_mm**2)
    sigma[~np.isfinite(sigma)] = np.nanmax(sigma) if np.isfinite(sigma).any() else 0.0
    common[answered] = RegularGridInterpolator(axes, sigma)(where)
    return common
