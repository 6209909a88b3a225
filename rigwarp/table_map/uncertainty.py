"""The two parts of a position's uncertainty, on the projector grid."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, BoolArray, at_height
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.threads import by_rows
from rigwarp.table_map.misfit import Misfit
from rigwarp.table_map.ripple import Ripple
from rigwarp.table_map.smooth import SmoothSurface

_STEP_PX = 8.0  # both parts vary slowly: worked out on a grid and interpolated
_TABLE_NODES = 25
LENS_PX = 0.01  # camera pixels by which real lenses stray from their model; common practice, no source


@dataclass(frozen=True, kw_only=True)
class SpreadSigma:
    """The random uncertainty of a fitted surface, (H, W) per axis; float32, since a 4K picture has many pixels.

    Attributes
    ----------
    decode_mm : decode noise alone, carried through the fit.
    whole_mm : the same with the noise as large as the held-out samples thereabouts show it, and with what the surface
        does not follow besides.
    ripple_mm2 : variance of what samples cannot tell of a ripple.
    """

    decode_mm: NDArray[np.float32]
    whole_mm: NDArray[np.float32]
    ripple_mm2: NDArray[np.float32]


def spread_sigma(surface: SmoothSurface, misfit: Misfit, ripple: Ripple, shape: tuple[int, ...]) -> SpreadSigma:
    """Worked out on every eighth pixel and interpolated linearly."""
    rows, columns = (np.arange(0, n + _STEP_PX, _STEP_PX, dtype=float) for n in shape)
    nodes = np.stack(np.meshgrid(columns, rows, indexing="ij"), axis=-1)
    low, high = np.array(surface.x.bounds_mm).T
    noise = surface.sigma(np.clip(nodes.reshape(-1, 2), low, high)).reshape(nodes.shape[:2])
    unfollowed, ratio = misfit.at(nodes)
    doubt = ripple.doubt(nodes.reshape(-1, 2), unfollowed.ravel()).reshape(noise.shape)

    def everywhere(values: Array) -> NDArray[np.float32]:
        if not values.any():
            return np.zeros(shape[:2], np.float32)
        linear = HeightSpline(start_mm=np.zeros(2), cell_mm=np.full(2, _STEP_PX), coefficients_mm=values, degree=1)
        some = linear.by_rows(np.arange(float(shape[1])), np.arange(float(shape[0])), np.float32)
        return np.asarray(some(slice(None)))

    return SpreadSigma(
        decode_mm=everywhere(noise),
        whole_mm=everywhere(np.sqrt(ratio * (noise**2 + unfollowed))),
        ripple_mm2=everywhere(doubt),
    )


def motion_left_mm(camera: CameraModel, height_mm: float, table_mm: Array, *, motion_px: float) -> float:
    """1-sigma per axis that a motion of the camera which was taken out leaves at places (n, 2), median, mm."""
    if not motion_px:
        return 0.0
    pixels = camera.project(at_height(table_mm, height_mm))
    return motion_px * float(np.nanmedian(_mm_per_px(camera, pixels, height_mm)))


def _mm_per_px(camera: CameraModel, pixels_px: Array, height_mm: float) -> Array:
    return np.asarray(np.sqrt(np.sum(camera.plane_jacobian(pixels_px, height_mm) ** 2, axis=(-1, -2)) / 2.0))


def common_sigma(
    camera: CameraModel, height_mm: float, table_mm: Array, answered: BoolArray, *, motion_px: float = 0.0
) -> NDArray[np.float32]:
    """(H, W) 1-sigma per axis that lens, pose and motion of the camera leave on neighbouring positions alike, mm.

    The camera's own covariance (nothing where its file states none), what no five-term lens model gets right, and
    `motion_px` camera pixels by which the place of the photographs is uncertain; NaN where unanswered.
    """
    common = np.full(answered.shape, np.nan, np.float32)
    planes = [table_mm[..., i] for i in (0, 1)]
    ends = [(p.min(where=answered, initial=np.inf), p.max(where=answered, initial=-np.inf)) for p in planes]
    axes = [np.linspace(*pair, _TABLE_NODES) for pair in ends]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    pixels = camera.project(at_height(grid, height_mm))
    covariance = camera.plane_covariance(pixels, height_mm)
    scale_mm = _mm_per_px(camera, pixels, height_mm)
    sigma = np.sqrt((covariance[..., 0, 0] + covariance[..., 1, 1]) / 2.0 + (LENS_PX**2 + motion_px**2) * scale_mm**2)
    sigma[~np.isfinite(sigma)] = np.nanmax(sigma) if np.isfinite(sigma).any() else 0.0

    def fill(rows: slice) -> None:
        here = answered[rows]
        place = [
            (plane[rows][here] - axis[0]) / max(axis[1] - axis[0], 1e-12)
            for plane, axis in zip(planes, axes, strict=True)
        ]
        common[rows][here] = map_coordinates(sigma, place, order=1, mode="nearest")

    by_rows(fill, answered.shape)
    return common
