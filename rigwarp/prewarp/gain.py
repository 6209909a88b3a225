"""How bright each projector pixel may shine: black outside the content, evened out inside it."""

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Content

LOWEST_GAIN = 0.35
"""Default bound of the flattening: bright spots are never dimmed below this share of their light."""
_TARGET_PERCENTILE = 5.0
"""Flattening aims at the light that 95 % of the content area reaches; the darkest rim is left as it is."""
_LIGHT_BLUR_PX = 2.0
"""Measured light is smoothed by this sigma, so that camera noise does not turn into visible grain."""


def content_depth_px(content_px: Array, content: Content) -> Array:
    """How far inside the content's outline each projector pixel lies, in projector pixels.

    Parameters
    ----------
    content_px : (H, W, 2)
        Content pixels at projector pixel centres; NaN where there is no answer.

    Returns
    -------
    (H, W)
        Positive inside, NaN where the map has no answer.
    """
    width, height = content.pixels
    centred = content_px - [(width - 1) / 2, (height - 1) / 2]
    share = centred / [width / 2, height / 2]
    if content.shape == "circle":
        depth = 1.0 - np.hypot(share[..., 0], share[..., 1])
    else:
        depth = 1.0 - np.abs(share).max(axis=-1)
    steepness = np.hypot(_difference(depth, 0), _difference(depth, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(steepness > 0, depth / steepness, np.sign(depth) * np.inf)


def _difference(values: Array, axis: int) -> Array:
    """Central difference; one-sided at rims and beside NaN, zero where no neighbour is known."""
    step = np.diff(values, axis=axis)
    pad = np.full_like(np.take(values, [0], axis=axis), np.nan)
    pair = np.stack([np.concatenate([pad, step], axis=axis), np.concatenate([step, pad], axis=axis)])
    known = np.isfinite(pair)
    return np.where(known, pair, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)


def edge_coverage(depth_px: Array) -> Array:
    """Share of a projector pixel inside the content: a one-pixel ramp across the outline; 0 where NaN."""
    return np.clip(np.nan_to_num(depth_px, nan=-1.0, posinf=1.0, neginf=-1.0) + 0.5, 0.0, 1.0)


def rim_share(content_px: Array, content: Content) -> Array:
    """(H, W) squared distance from the content's middle: 0 there, 1 at a circle's rim or a rectangle's corners."""
    width, height = content.pixels
    share = (content_px - [(width - 1) / 2, (height - 1) / 2]) / [width / 2, height / 2]
    squared: Array = np.sum(share**2, axis=-1) / (1.0 if content.shape == "circle" else 2.0)
    return np.clip(np.nan_to_num(squared, nan=1.0), 0.0, 1.0)


def smooth_light(light: Array, inside: BoolArray) -> Array | None:
    """Measured light without gaps and noise.

    Parameters
    ----------
    light : (H, W)
        Irradiance on the table made by each projector pixel at white, any unit; NaN unknown (the nearest known
        pixel's is used), 0 or less counts as unknown.
    inside : (H, W)
        Only these pixels' light is used.

    Returns
    -------
    (H, W), or None when no light is known inside.
    """
    from scipy.ndimage import distance_transform_edt, gaussian_filter  # not for the player, see decode/signal/noise.py

    known = inside & np.isfinite(light) & (light > 0)
    if not known.any():
        return None
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(gaussian_filter(light[nearest[0], nearest[1]], _LIGHT_BLUR_PX, mode="nearest"))


def evened(
    bare_gain: Array, smooth: Array, rim: Array, *, lowest_gain: float = LOWEST_GAIN, falloff: float = 0.0
) -> Array:
    """The gain with the light evened out over all pixels that have any.

    Parameters
    ----------
    bare_gain : (H, W) the gain that leaves the light as uneven as it is.
    smooth : (H, W) the light, see `smooth_light`.
    rim : (H, W) see `rim_share`.
    lowest_gain : no pixel is dimmed below this share.
    falloff : share of the light by which the rim may stay darker than the middle: less light is given away.

    Returns
    -------
    (H, W)
        lowest_gain .. 1 times the bare gain.
    """
    wanted = 1.0 - falloff * rim
    target = np.percentile((smooth / wanted)[bare_gain > 0], _TARGET_PERCENTILE)
    return bare_gain * np.clip(target * wanted / smooth, lowest_gain, 1.0)
