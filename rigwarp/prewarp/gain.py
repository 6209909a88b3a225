"""How bright each projector pixel may shine: black outside the content, evened out inside it."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.blur import gaussian_blur
from rigwarp.geometry.threads import by_rows
from rigwarp.prewarp.extend import near_known
from rigwarp.rig import Content

LOWEST_GAIN = 0.35
"""Default bound of the flattening: bright spots are never dimmed below this share of their light."""
_TARGET_PERCENTILE = 5.0
"""Flattening aims at the light that 95 % of the content area reaches; the darkest rim is left as it is."""
_LIGHT_BLUR_PX = 2.0
"""Measured light is smoothed by this sigma, so that camera noise does not turn into visible grain."""


def edge_coverage(content_px: Array, content: Content) -> NDArray[np.float32]:
    """(H, W) share of a projector pixel inside the content: a one-pixel ramp across the outline.

    `content_px` (H, W, 2) are content pixels at projector pixel centres; where those are NaN the share is 0.
    """

    def depth(rows: slice) -> Array:
        x, y = _off_middle(content_px[rows], content)
        return 1.0 - (np.hypot(x, y) if content.shape == "circle" else np.maximum(np.abs(x), np.abs(y)))

    def share(rows: slice) -> NDArray[np.float32]:
        first = max(0, rows.start - 1)
        wide = depth(slice(first, rows.stop + 1))
        inner = slice(rows.start - first, rows.stop - first)
        own = wide[inner]
        steepness = np.hypot(_difference(wide, 0)[inner], _difference(own, 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            depth_px = np.where(steepness > 0, own / steepness, np.sign(own) * np.inf)
        return np.minimum(np.fmax(depth_px + 0.5, 0.0), 1.0).astype(np.float32)  # of 0 and NaN fmax takes 0

    return np.concatenate(by_rows(share, content_px.shape))


def _off_middle(content_px: Array, content: Content) -> list[Array]:
    """x and y from the content's middle, 1 at its edges."""
    return [(content_px[..., i] - (n - 1) / 2) / (n / 2) for i, n in enumerate(content.pixels)]


def _difference(values: Array, axis: int) -> Array:
    """Central difference; one-sided at rims and beside NaN, zero where no neighbour is known."""
    step = np.diff(values, axis=axis)
    known = np.isfinite(step)
    step[~known] = 0.0
    total, count = np.zeros(values.shape), np.zeros(values.shape, np.uint8)
    for here in (slice(1, None), slice(None, -1)):
        side = (slice(None), here) if axis else (here,)
        total[side] += step
        count[side] += known
    return total / np.maximum(count, 1)


def rim_share(content_px: Array, content: Content) -> Array:
    """(H, W) squared distance from the content's middle, float32: 0 there, 1 at a circle's rim or a rectangle's
    corners."""

    def squared(rows: slice) -> Array:
        x, y = _off_middle(content_px[rows], content)
        total = (x * x + y * y) / (1.0 if content.shape == "circle" else 2.0)
        return np.fmin(total, 1.0).astype(np.float32)  # of 1 and NaN fmin takes 1

    return np.concatenate(by_rows(squared, content_px.shape))


def smooth_light(light: Array, inside: BoolArray) -> Array | None:
    """Measured light (H, W) without gaps and noise, in single precision; None when none is known inside.

    Parameters
    ----------
    light : (H, W)
        Irradiance on the table made by each projector pixel at white, any unit; NaN unknown (the nearest known
        pixel's is used), 0 or less counts as unknown.
    inside : (H, W) only these pixels' light is used.
    """
    known = inside & np.isfinite(light) & (light > 0)
    if not known.any():
        return None
    filled = light.astype(np.float32)
    at, number = near_known(known, ~known)
    filled[~known] = light.ravel()[at][number]
    return gaussian_blur(filled, _LIGHT_BLUR_PX)


def evened(
    bare_gain: Array, smooth: Array, rim: Array, *, lowest_gain: float = LOWEST_GAIN, falloff: float = 0.0
) -> Array:
    """The gain (H, W) with the light evened out over all pixels that have any: lowest_gain .. 1 times the bare one.

    Parameters
    ----------
    bare_gain : (H, W) the gain that leaves the light as uneven as it is.
    smooth : (H, W) the light, see `smooth_light`.
    rim : (H, W) see `rim_share`.
    lowest_gain : no pixel is dimmed below this share.
    falloff : share of the light by which the rim may stay darker than the middle: less light is given away.
    """
    wanted = 1.0 - falloff * rim
    target = np.percentile((smooth / wanted)[bare_gain > 0], _TARGET_PERCENTILE)
    return bare_gain * np.clip(target * wanted / smooth, lowest_gain, 1.0)
