"""Looking up in a view's map: pixels to places at any height, places to pixels, heights from two lines of sight."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from rigwarp.geometry import Array, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.table_map import InverseMap, invert

_LEAST_STEREO = 1e-3  # lines of sight that lean alike by so much cross nowhere


@dataclass(frozen=True, kw_only=True)
class _Sight:
    """Lines of sight of (N,) pixels; NaN where the four pixels around are not of one zone."""

    table_mm: Array
    lean: Array
    sigma_mm: Array
    mm_per_px: Array
    zone: Array


def points(
    view: ViewMap,
    pixels_px: ArrayLike,
    *,
    height_mm: ArrayLike = 0.0,
    height_sigma_mm: float = 0.0,
    sigma_px: float = 0.0,
    lean_sigma: float = 0.0,
) -> tuple[Array, Array]:
    """Where what pixels show stands, if its height over the table is known.

    Parameters
    ----------
    pixels_px : (..., 2) raw pixels (u, v) of the camera, fractions allowed.
    height_mm : (...) or one number.
    height_sigma_mm, sigma_px : 1-sigma of the heights, and of the pixels per axis.
    lean_sigma : 1-sigma per axis of the lean.

    Returns
    -------
    mm : (..., 2) places; NaN where the table is not seen.
    sigma_mm : (...) 1-sigma per axis.

    Notes
    -----
    P - h a; u^2 = sigma_map^2 + (|a|^2 u(h)^2 + (mm/px sigma_px)^2) / 2 + (h sigma_a)^2, each per axis.
    """
    pixels = np.asarray(pixels_px, float)
    sight = _look(view, pixels.reshape(-1, 2))
    height = np.broadcast_to(np.asarray(height_mm, float), pixels.shape[:-1]).ravel()
    spot = sight.table_mm - height[:, None] * sight.lean
    by_height = np.sum(sight.lean**2, axis=-1) * height_sigma_mm**2 / 2.0
    by_pixel = (sight.mm_per_px * sigma_px) ** 2 / 2.0
    sigma = np.sqrt(sight.sigma_mm**2 + by_height + by_pixel + (height * lean_sigma) ** 2)
    return spot.reshape(pixels.shape), sigma.reshape(pixels.shape[:-1])


def pixels_of(view: ViewMap, places_mm: ArrayLike, *, height_mm: float = 0.0) -> InverseMap:
    """The pixels of each zone that see (N, 2) places at some height over the table."""
    raised = replace(view, x_mm=view.x_mm - height_mm * view.lean_x, y_mm=view.y_mm - height_mm * view.lean_y)
    return invert(raised, np.asarray(places_mm, float).reshape(-1, 2))


def height_of(
    view: ViewMap, first_px: ArrayLike, second_px: ArrayLike, *, sigma_px: float = 0.0, lean_sigma: float = 0.0
) -> tuple[Array, Array]:
    """Height over the table of what two pixels of different zones both show.

    Parameters
    ----------
    first_px, second_px : (..., 2) raw pixels of the same thing.
    sigma_px, lean_sigma : 1-sigma of the pixels, and of the lean, per axis.

    Returns
    -------
    height_mm, sigma_mm : (...); NaN where a pixel does not see the table, or both lines of sight lean alike.

    Notes
    -----
    With D the distance between what both see of the table, and d the difference of their leans, h = D.d / |d|^2.
    """
    first, second = np.asarray(first_px, float), np.asarray(second_px, float)
    one, two = (_look(view, pixels.reshape(-1, 2)) for pixels in (first, second))
    apart, stereo = one.table_mm - two.table_mm, one.lean - two.lean
    square = np.sum(stereo**2, axis=-1)
    square = np.where((square > _LEAST_STEREO**2) & (one.zone != two.zone), square, np.nan)
    height = np.sum(apart * stereo, axis=-1) / square
    variance = one.sigma_mm**2 + two.sigma_mm**2 + (one.mm_per_px**2 + two.mm_per_px**2) * sigma_px**2 / 2.0
    sigma = np.sqrt((variance + 2.0 * (height * lean_sigma) ** 2) / square)
    return height.reshape(first.shape[:-1]), sigma.reshape(first.shape[:-1])


def _look(view: ViewMap, pixels_px: Array) -> _Sight:
    """Bilinear between the four pixels around each of (N, 2)."""
    height, width = view.zone.shape
    inside = np.isfinite(pixels_px).all(axis=-1) & (pixels_px >= 0.0).all(axis=-1)
    inside &= (pixels_px[:, 0] <= width - 1) & (pixels_px[:, 1] <= height - 1)
    u, v = np.where(inside[:, None], pixels_px, 0.0).T
    i, j = np.clip(np.floor(u).astype(int), 0, width - 2), np.clip(np.floor(v).astype(int), 0, height - 2)
    corners = [(j, i), (j, i + 1), (j + 1, i), (j + 1, i + 1)]
    zone = view.zone[j, i]
    good = inside & (zone != NO_LIGHT) & np.all([view.zone[at] == zone for at in corners], axis=0)
    s, t = u - i, v - j
    weights = ((1 - s) * (1 - t), s * (1 - t), (1 - s) * t, s * t)

    def between(picture: Array) -> Array:
        values = np.sum([weight * picture[at] for weight, at in zip(weights, corners, strict=True)], axis=0)
        return np.where(good, values, np.nan)

    across = np.hypot(*(picture[corners[1]] - picture[corners[0]] for picture in (view.x_mm, view.y_mm)))
    down = np.hypot(*(picture[corners[2]] - picture[corners[0]] for picture in (view.x_mm, view.y_mm)))
    return _Sight(
        table_mm=np.stack([between(view.x_mm), between(view.y_mm)], axis=-1),
        lean=np.stack([between(view.lean_x), between(view.lean_y)], axis=-1),
        sigma_mm=between(view.sigma_mm),
        mm_per_px=np.where(good, np.hypot(across, down), np.nan),
        zone=np.where(good, zone, NO_LIGHT),
    )
