"""A smooth continuation of a map past the pixels that have an answer: for drawing only, never for measuring."""

import numpy as np

from rigwarp.geometry import Array, BoolArray


def extend_linearly(values: Array) -> Array:
    """Fill NaN by the value and slope of the nearest known pixel.

    Parameters
    ----------
    values : (n, m, C) NaN = unknown; all NaN is returned as it is.

    Returns
    -------
    (n, m, C)
        Known values unchanged.
    """
    from scipy.ndimage import distance_transform_edt  # not for the player, see decode/signal/noise.py

    known: BoolArray = np.all(np.isfinite(values), axis=-1)
    if known.all() or not known.any():
        return values.copy()
    along_v, along_u = (_slope(values, axis) for axis in (0, 1))
    # lone pixels at a ragged rim have no slope of their own: they hand on nothing unless there is nothing else
    sloped: BoolArray = known & np.all(np.isfinite(along_u) & np.isfinite(along_v), axis=-1)
    nearest = distance_transform_edt(~(sloped if sloped.any() else known), return_distances=False, return_indices=True)
    missing = ~known
    v, u = nearest[0][missing], nearest[1][missing]
    rows, columns = np.nonzero(missing)
    rise = along_v[v, u] * (rows - v)[:, None] + along_u[v, u] * (columns - u)[:, None]
    out = values.copy()
    out[missing] = values[v, u] + np.nan_to_num(rise, nan=0.0)
    return out


def _slope(values: Array, axis: int) -> Array:
    """Change per pixel along an axis from whichever neighbours are known; NaN where none is."""
    step = np.diff(values, axis=axis)
    missing = np.full_like(np.take(values, [0], axis=axis), np.nan)
    before = np.concatenate([missing, step], axis=axis)
    after = np.concatenate([step, missing], axis=axis)
    both = 0.5 * (before + after)
    one_sided = np.where(np.isfinite(before), before, after)
    return np.where(np.isfinite(both), both, one_sided)
