"""Looking up in a view's map: pixels to places at any height, places to pixels, heights from two lines of sight."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from rigwarp.geometry import Array, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.table_map import InverseMap, invert
from rigwarp.view.lean import LEAN_KNOWN, LeanDoubt

_LEAST_STEREO = 1e-3  # lines of sight that lean alike by so much cross nowhere


@dataclass(frozen=True, kw_only=True)
class _Sight:
    """Lines of sight of (N,) pixels; NaN where the four pixels around are not of one zone.

    `table_by_px` and `lean_by_px` (N, 2, 2) are how place and lean move with the pixel, `by_lean` (N, 2, m) how the
    lean does with its errors.
    """

    table_mm: Array
    lean: Array
    sigma_mm: Array
    table_by_px: Array
    lean_by_px: Array
    by_lean: Array
    zone: Array

    def by_px(self, height_mm: Array) -> Array:
        """(N, 2, 2) how what is seen at heights (N,) moves with the pixel."""
        return self.table_by_px - height_mm[:, None, None] * self.lean_by_px


def points(
    view: ViewMap,
    pixels_px: ArrayLike,
    *,
    height_mm: ArrayLike = 0.0,
    height_sigma_mm: float = 0.0,
    sigma_px: float = 0.0,
    lean_doubt: LeanDoubt = LEAN_KNOWN,
) -> tuple[Array, Array]:
    """Where what pixels show stands, if its height over the table is known.

    Parameters
    ----------
    pixels_px : (..., 2) raw pixels (u, v) of the camera, fractions allowed.
    height_mm : (...) or one number.
    height_sigma_mm, sigma_px : 1-sigma of the heights, and of the pixels per axis.
    lean_doubt : how well the lean is known.

    Returns
    -------
    mm : (..., 2) places; NaN where the table is not seen.
    sigma_mm : (...) 1-sigma per axis.

    Notes
    -----
    P - h a; u^2 = sigma_map^2 + (|a|^2 u(h)^2 + (mm/px at h sigma_px)^2) / 2 + (h sigma_a)^2, each per axis.
    """
    pixels = np.asarray(pixels_px, float)
    sight = _look(view, pixels.reshape(-1, 2), lean_doubt)
    height = np.broadcast_to(np.asarray(height_mm, float), pixels.shape[:-1]).ravel()
    spot = sight.table_mm - height[:, None] * sight.lean
    by_height = np.sum(sight.lean**2, axis=-1) * height_sigma_mm**2 / 2.0
    by_pixel = np.sum(sight.by_px(height) ** 2, axis=(1, 2)) * sigma_px**2 / 2.0
    by_lean = np.sum(sight.by_lean**2, axis=(1, 2)) * height**2 / 2.0
    sigma = np.sqrt(sight.sigma_mm**2 + by_height + by_pixel + by_lean)
    return spot.reshape(pixels.shape), sigma.reshape(pixels.shape[:-1])


def pixels_of(view: ViewMap, places_mm: ArrayLike, *, height_mm: float = 0.0) -> InverseMap:
    """The pixels of each zone that see (N, 2) places at some height over the table."""
    raised = replace(view, x_mm=view.x_mm - height_mm * view.lean_x, y_mm=view.y_mm - height_mm * view.lean_y)
    return invert(raised, np.asarray(places_mm, float).reshape(-1, 2))


def height_of(
    view: ViewMap,
    first_px: ArrayLike,
    second_px: ArrayLike,
    *,
    sigma_px: float = 0.0,
    lean_doubt: LeanDoubt = LEAN_KNOWN,
) -> tuple[Array, Array]:
    """Height over the table of what two pixels of different zones both show.

    Parameters
    ----------
    first_px, second_px : (..., 2) raw pixels of the same thing.
    sigma_px : 1-sigma of the pixels, per axis.
    lean_doubt : how well the lean is known; what both wings have of it alike, as by a camera that is aside, cancels.

    Returns
    -------
    height_mm, sigma_mm : (...); NaN where a pixel does not see the table, or both lines of sight lean alike.

    Notes
    -----
    With D the distance between what both see of the table, and d the difference of their leans, h = D.d / |d|^2: what
    counts of each error is its part along d, over |d|.
    """
    first, second = np.asarray(first_px, float), np.asarray(second_px, float)
    one, two = (_look(view, pixels.reshape(-1, 2), lean_doubt) for pixels in (first, second))
    apart, stereo = one.table_mm - two.table_mm, one.lean - two.lean
    square = np.sum(stereo**2, axis=-1)
    square = np.where((square > _LEAST_STEREO**2) & (one.zone != two.zone), square, np.nan)
    height = np.sum(apart * stereo, axis=-1) / square
    along = stereo / np.sqrt(square)[:, None]
    by_px = np.concatenate([one.by_px(height), two.by_px(height)], axis=-1) * sigma_px
    by_lean = height[:, None, None] * (one.by_lean - two.by_lean)
    errors = np.einsum("ni,nij->nj", along, np.concatenate([by_px, by_lean], axis=-1))
    sigma = np.sqrt((one.sigma_mm**2 + two.sigma_mm**2 + np.sum(errors**2, axis=-1)) / square)
    return height.reshape(first.shape[:-1]), sigma.reshape(first.shape[:-1])


def _look(view: ViewMap, pixels_px: Array, lean_doubt: LeanDoubt) -> _Sight:
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

    def by_px(*axes: Array) -> Array:
        steps = np.array([[axis[beside] - axis[corners[0]] for beside in corners[1:3]] for axis in axes])
        return np.where(good[:, None, None], steps.transpose(2, 0, 1), np.nan)

    return _Sight(
        table_mm=np.stack([between(view.x_mm), between(view.y_mm)], axis=-1),
        lean=np.stack([between(view.lean_x), between(view.lean_y)], axis=-1),
        sigma_mm=between(view.sigma_mm),
        table_by_px=by_px(view.x_mm, view.y_mm),
        lean_by_px=by_px(view.lean_x, view.lean_y),
        by_lean=lean_doubt.slopes(pixels_px, zone),
        zone=np.where(good, zone, NO_LIGHT),
    )
