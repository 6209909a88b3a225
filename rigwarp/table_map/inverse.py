"""The inverse map: which projector pixel lights a table position; several, where zones overlap."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, IntArray, PixelMap
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.tracing.scan_grid import fineness

_SEED_STEP_PX = 4  # Newton starts from the nearest of every fourth pixel of 1080p
_PASSES = 12
_DONE_PX = 1e-7
_LONGEST_STEP_PX = 8.0


Forward = Callable[[IntArray, IntArray], Array]
"""From rows and columns (n,) of pixels to where they land, (n, 2); NaN where nowhere."""


@dataclass(frozen=True, kw_only=True)
class InverseMap:
    """Projector pixels for N table positions, one row per zone.

    Attributes
    ----------
    zones : (Z,) zone numbers.
    pixels_px : (Z, N, 2) the pixel of each zone that lights the position; NaN where the zone does not light it.
    sigma_px : (Z, N) 1-sigma of it, per axis: the map's uncertainty seen from the table.
    measured : (Z, N) True where camera data support it.
    """

    zones: NDArray[np.int64]
    pixels_px: Array
    sigma_px: Array
    measured: BoolArray

    @property
    def count(self) -> NDArray[np.int64]:
        """(N,) how many zones light each position."""
        return np.count_nonzero(np.isfinite(self.pixels_px[..., 0]), axis=0)


def invert(table_map: PixelMap, table_mm: Array) -> InverseMap:
    """Find the projector pixels that light (N, 2) table positions.

    Notes
    -----
    Newton's method on the map between its pixel centres (bilinear, so that the inverse undoes exactly what a renderer
    interpolates), zone by zone. A position counts as lit when the four pixels around the solution all have an answer.
    """
    numbers = np.array(zones_lit(table_map.zone), np.int64)
    parts = [_invert_zone(table_map, int(number), np.asarray(table_mm, float)) for number in numbers]
    if not parts:
        nothing = np.zeros((0, len(table_mm)))
        return InverseMap(
            zones=numbers, pixels_px=nothing[..., None].repeat(2, axis=-1), sigma_px=nothing, measured=nothing > 0
        )
    pixels, sigma, measured = (np.stack(column) for column in zip(*parts, strict=True))
    return InverseMap(zones=numbers, pixels_px=pixels, sigma_px=sigma, measured=measured)


def _invert_zone(table_map: PixelMap, zone: int, table_mm: Array) -> tuple[Array, Array, BoolArray]:
    shape = table_map.zone.shape

    def forward(rows: IntArray, columns: IntArray) -> Array:
        """(n, 2) where pixels land; NaN for other zones'."""  # few are asked for, of millions
        land = np.stack([table_map.x_mm[rows, columns], table_map.y_mm[rows, columns]], axis=-1)
        return np.where((table_map.zone[rows, columns] == zone)[..., None], land, np.nan)

    known = np.isfinite(table_mm).all(axis=-1)
    pixels = np.full(table_mm.shape, np.nan)
    pixels[known] = nearest_pixels(forward, shape, table_mm[known])
    for _ in range(_PASSES):
        landed, slope = bilinear(forward, shape, pixels)
        step = newton_step(slope, table_mm - landed)
        length = np.linalg.norm(step, axis=-1, keepdims=True)
        with np.errstate(invalid="ignore"):
            pixels = pixels + step * np.minimum(1.0, _LONGEST_STEP_PX / np.maximum(length, 1e-12))
        if not np.any(length > _DONE_PX):
            break
    landed, slope = bilinear(forward, shape, pixels)
    off = np.linalg.norm(landed - table_mm, axis=-1)
    scale = np.sqrt(np.abs(np.linalg.det(np.nan_to_num(slope))))  # mm per pixel
    found = off < 1e-3 * scale
    pixels[~found] = np.nan
    # where it is found, the four pixels around it are of this zone
    sigma_mm = _sample(table_map.sigma_mm, pixels)
    support = _sample(table_map.measured.view(np.uint8), pixels)
    with np.errstate(divide="ignore", invalid="ignore"):
        return pixels, np.where(found, sigma_mm / scale, np.nan), np.asarray(support > 0.5)


def looked_up(values: Array) -> Forward:
    """Of an (H, W, 2) picture of places."""
    return lambda rows, columns: values[rows, columns]


def nearest_pixels(forward: Forward, shape: tuple[int, ...], table_mm: Array) -> Array:
    """(N, 2) the pixel of a thinned grid whose light lands nearest to each position."""
    step = _SEED_STEP_PX * fineness(shape)
    rows, columns = (grid.ravel() for grid in np.mgrid[: shape[0] : step, : shape[1] : step])
    places_mm = forward(rows, columns)
    lit = np.isfinite(places_mm[:, 0])
    if not lit.any():
        return np.full(table_mm.shape, np.nan)
    _, nearest = cKDTree(places_mm[lit]).query(table_mm)
    return np.stack([columns[lit], rows[lit]], axis=-1)[nearest].astype(float)


def bilinear(forward: Forward, shape: tuple[int, ...], pixels: Array) -> tuple[Array, Array]:
    """Value (N, 2) and derivative (N, 2, 2) of the map between pixel centres; NaN off the grid or beside NaN."""
    height, width = shape[:2]
    with np.errstate(invalid="ignore"):
        inside = (pixels >= 0).all(axis=-1) & (pixels[:, 0] <= width - 1) & (pixels[:, 1] <= height - 1)
    u, v = np.where(inside[:, None], pixels, 0.0).T
    c, r = np.minimum(u.astype(int), width - 2), np.minimum(v.astype(int), height - 2)
    a, b = (u - c)[:, None], (v - r)[:, None]
    p00, p01, p10, p11 = forward(r, c), forward(r, c + 1), forward(r + 1, c), forward(r + 1, c + 1)
    value = (1 - b) * ((1 - a) * p00 + a * p01) + b * ((1 - a) * p10 + a * p11)
    by_u = (1 - b) * (p01 - p00) + b * (p11 - p10)
    by_v = (1 - a) * (p10 - p00) + a * (p11 - p01)
    value[~inside] = np.nan
    return value, np.stack([by_u, by_v], axis=-1)


def newton_step(slope: Array, residual_mm: Array) -> Array:
    """Pixel steps (N, 2) that close (N, 2) residuals; NaN where the map folds or ends."""
    determinant = slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.stack(
            [
                slope[:, 1, 1] * residual_mm[:, 0] - slope[:, 0, 1] * residual_mm[:, 1],
                slope[:, 0, 0] * residual_mm[:, 1] - slope[:, 1, 0] * residual_mm[:, 0],
            ],
            axis=-1,
        )
        return step / determinant[:, None]


def _sample(values: Array, pixels: Array) -> Array:
    """(N,) values at pixels, linearly; NaN where the pixels are."""
    at = np.nan_to_num(pixels[:, ::-1].T)
    found = map_coordinates(values, at, output=float, order=1, mode="nearest")
    return np.where(np.isfinite(pixels[:, 0]), found, np.nan)
