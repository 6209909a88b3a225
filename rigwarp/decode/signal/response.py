"""The camera's response curve and the projector's level curve, from the uniform grey frames.

A camera pixel under a uniform frame of code v receives light t L(v) + b: t and b differ from pixel to pixel, the
projector's level curve L does not. With the right inverse response g, the share (g(I_v) - g(I_black)) /
(g(I_white) - g(I_black)) is therefore the same at every pixel. The one-parameter family of g used here holds linear
cameras (shape 1) and sRGB ones (shape 2.4); where the table shows too little variety to tell, a weak prior decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN

_SRGB_SHAPE = 2.4
_SRGB_OFFSET = 0.055
SHAPES = (1.0, 3.0)  # least and greatest
_COARSE, _FINE = 0.25, 0.05  # steps of the search
_LINEAR_PRIOR = (1.0, 0.3)  # mean and sigma of the shape for 16-bit pictures, usually raw
_CODED_PRIOR = (_SRGB_SHAPE, 0.6)  # for 8-bit pictures, usually gamma-coded
_BLOCK = 8  # camera pixels: averaging over blocks keeps noise from favouring one shape
_MIN_BLOCKS = 20
_BRIGHT_ENOUGH = 0.2  # of the best contrast: in dimmer blocks rounding to whole codes hides the curve
_MOST_BLOCKS = 3000  # more are not needed
_GROUPS = 12  # blocks are compared in groups of like brightness
_EVEN = 0.05  # relative 1-sigma of the light within a block; an edge in it is no mean of one brightness
_EVEN_SHARE = 0.25  # of the blocks, the most even ones, that are used all the same
_OUTLIER = 6.0  # sigmas, by the median, of a block from others of its brightness
_MODEL_ERROR = 5e-4  # share of white: blocks are not quite uniform, so agreement below this says nothing


@dataclass(frozen=True, kw_only=True)
class Response:
    """How code values on both sides relate to light.

    Attributes
    ----------
    shape, shape_sigma : the camera's inverse response, 1 = linear, 2.4 = sRGB.
    full_scale : the camera's largest code value.
    level_codes : (L,) projector codes 0..1 of the grey steps.
    level_light : (L,) share of white light at those codes, 0 at black and 1 at white.
    """

    shape: float
    shape_sigma: float
    full_scale: int
    level_codes: Array
    level_light: Array

    def table(self) -> Array:
        """(full_scale + 1,) linear light 0..1 of each camera code value."""
        return linearise(np.arange(self.full_scale + 1) / self.full_scale, self.shape)

    def slope_table(self) -> Array:
        """(full_scale + 1,) d(light) / d(code value)."""
        return np.gradient(self.table())

    def projector_light(self, code: Array) -> Array:
        """Measured share of white light of projector codes 0..1, any shape."""
        from scipy.interpolate import PchipInterpolator  # not for the player, see noise.py

        return np.asarray(PchipInterpolator(self.level_codes, self.level_light)(np.clip(code, 0.0, 1.0)))


def linearise(value: Array, shape: float) -> Array:
    """Linear light of camera values 0..1 for one member of the response family, 0 -> 0 and 1 -> 1.

    The dark end is the straight line through 0 that touches the curve, as in IEC 61966-2-1: at the same value in each.
    """
    offset, knee, at_knee = _dark_end(shape)
    return np.asarray(np.where(value < knee, value / knee * at_knee, ((value + offset) / (1 + offset)) ** shape))


def coded(light: Array, shape: float) -> Array:
    """Camera values 0..1 of linear light 0..1: the inverse of `linearise`."""
    offset, knee, at_knee = _dark_end(shape)
    return np.asarray(np.where(light < at_knee, light / at_knee * knee, light ** (1 / shape) * (1 + offset) - offset))


def _dark_end(shape: float) -> tuple[float, float, float]:
    """Offset of the curve, and the value and its light at which the straight line ends."""
    offset = _SRGB_OFFSET * (shape - 1.0) / (_SRGB_SHAPE - 1.0)
    knee = _SRGB_OFFSET / (_SRGB_SHAPE - 1.0)
    return offset, knee, ((knee + offset) / (1 + offset)) ** shape


def assumed_response(codes: Sequence[int], light: Array, full_scale: int, *, usually_coded: bool) -> Response:
    """The usual camera's, where grey frames of codes 0..255 tell none; `light` is what the projector makes of them."""
    shape, sigma = _CODED_PRIOR if usually_coded else _LINEAR_PRIOR
    return Response(
        shape=shape, shape_sigma=sigma, full_scale=full_scale, level_codes=np.array(codes) / 255.0, level_light=light
    )


def estimate_response(
    levels: dict[int, NDArray[np.unsignedinteger]],
    lit: NDArray[np.bool_],
    full_scale: int,
    *,
    usually_coded: bool | None = None,
    shape: tuple[float, float] | None = None,
) -> Response:
    """Estimate both curves from the photographs of the uniform frames.

    Parameters
    ----------
    levels : projector code 0..255 -> (H, W) photograph; black (0) and white (255) among them.
    lit : (H, W) camera pixels that the projector lights and that never saturate.
    full_scale : the camera's largest code value.
    usually_coded : whether such pictures usually are gamma-coded; None: those of 8 bits are.
    shape : of the camera and its sigma, where they are known from elsewhere.

    Raises
    ------
    MeasurementError
        If there are too few lit, unsaturated pixels to judge.
    """
    codes = np.array(sorted(levels))
    means, uneven = _block_means([levels[c] for c in codes], lit)
    blocks = means / full_scale
    if blocks.size:
        blocks = blocks[:, uneven <= max(_EVEN, float(np.quantile(uneven, _EVEN_SHARE)))]
        contrast = blocks[-1] - blocks[0]
        blocks = blocks[:, contrast > _BRIGHT_ENOUGH * np.quantile(contrast, 0.98)]
    if blocks.shape[1] < _MIN_BLOCKS:
        raise MeasurementError(
            f"only {blocks.shape[1]} patches of 8x8 camera pixels are evenly lit and not saturated, {_MIN_BLOCKS} are "
            "needed: point the camera at the lit table and expose so that the white frame stays below full scale"
        )
    # by what blocks beside it show: sorted by its own noise, an even scene would look like a curve
    beside = np.roll(blocks[-1], 1) + np.roll(blocks[-1], -1)
    blocks = blocks[:, np.argsort(beside)]
    blocks = blocks[:, _like_others(blocks)]
    usually_coded = full_scale <= 255 if usually_coded is None else usually_coded
    best, sigma = shape or _best_shape(blocks, _CODED_PRIOR if usually_coded else _LINEAR_PRIOR)
    light = np.maximum.accumulate(np.average(_shares(blocks, best), axis=1, weights=_contrast(blocks)))
    return Response(shape=best, shape_sigma=sigma, full_scale=full_scale, level_codes=codes / 255.0, level_light=light)


def _block_means(photos: Sequence[NDArray[np.unsignedinteger]], lit: NDArray[np.bool_]) -> tuple[Array, Array]:
    """(L, N) mean code values of camera blocks that are lit throughout, from every so-manieth row of blocks; and (N,)
    the relative scatter of the last photograph's within each."""
    height, width = (n // _BLOCK * _BLOCK for n in lit.shape)
    step = max(1, int(np.count_nonzero(lit)) // (_BLOCK**2 * _MOST_BLOCKS))

    def means(image: NDArray[np.generic]) -> Array:
        bands = image[:height, :width].reshape(height // _BLOCK, _BLOCK, width)[::step]
        flat = np.ascontiguousarray(bands.reshape(-1, width), np.float32)
        # INTER_AREA with a whole factor is the plain mean
        return np.asarray(cv2.resize(flat, (width // _BLOCK, len(flat) // _BLOCK), interpolation=cv2.INTER_AREA), float)

    if not height or not width:
        return np.zeros((len(photos), 0)), np.zeros(0)
    whole = means(lit.view(np.uint8)) > 1.0 - 0.5 / _BLOCK**2
    found = np.stack([means(photo)[whole] for photo in photos])
    square = means(photos[-1].astype(np.float32) ** 2)[whole]
    scatter = np.sqrt(np.maximum(square - found[-1] ** 2, 0.0))
    return found, scatter / np.maximum(found[-1], 1.0)


def _like_others(blocks: Array) -> BoolArray:
    """(N,) which blocks (L, N), sorted by brightness, show in every level what blocks of like brightness show there.

    Whatever the camera's response, these agree: where somebody's shadow passed, they do not.
    """
    shares = _shares(blocks, _SRGB_SHAPE)[1:-1] * (blocks[-1] - blocks[0])
    group = np.arange(shares.shape[1]) * _GROUPS // shares.shape[1]
    middle = np.stack([np.median(shares[:, group == n], axis=1) for n in range(_GROUPS)], axis=1)
    off = np.abs(shares - middle[:, group])
    return np.asarray((off <= _OUTLIER * SIGMA_PER_MEDIAN * np.median(off, axis=1, keepdims=True)).all(axis=0))


def _best_shape(blocks: Array, prior: tuple[float, float]) -> tuple[float, float]:
    """The shape that makes the shares of bright and dark blocks agree, and its sigma; `blocks` sorted by brightness.

    Where none does, something else is in the light: it is known less well in proportion (Birge 1932).
    """
    freedom = (len(blocks) - 2) * (_GROUPS - 1)
    coarse = np.arange(SHAPES[0], SHAPES[1] + _FINE, _COARSE)
    ratio = max(1.0, min(_misfit(blocks, s) for s in coarse) / freedom)

    def cost(shapes: Array) -> Array:
        return np.array([_misfit(blocks, s) / ratio + ((s - prior[0]) / prior[1]) ** 2 for s in shapes])

    best = float(coarse[np.argmin(cost(coarse))])
    fine: Array = best + _FINE * np.arange(-5.0, 6.0)
    fine = fine[(fine > SHAPES[0] - _FINE) & (fine < SHAPES[1] + _FINE)]
    return _parabola_minimum(fine, cost(fine))


def _contrast(blocks: Array) -> Array:
    return (blocks[-1] - blocks[0]) ** 2


def _shares(blocks: Array, shape: float) -> Array:
    """(L, N) share of white light per level and block."""
    light = linearise(blocks, shape)
    return (light - light[0]) / (light[-1] - light[0])


def _misfit(blocks: Array, shape: float) -> float:
    """How much the shares of bright and dark blocks differ: chi-square over groups of like brightness."""
    shares = _shares(blocks, shape)[1:-1]
    weights = _contrast(blocks)
    starts = np.linspace(0, blocks.shape[1], _GROUPS, endpoint=False).astype(int)
    total = np.add.reduceat(weights, starts)
    sums = np.add.reduceat(weights * shares, starts, axis=1)
    spread = sums / total - sums.sum(axis=1, keepdims=True) / total.sum()
    # a group of weak contrast is known less well, in proportion
    sizes = np.diff(np.append(starts, blocks.shape[1]))
    trust = np.sqrt(total / sizes / weights.max())
    return float(np.sum((spread * trust / _MODEL_ERROR) ** 2))


def _parabola_minimum(x: Array, cost: Array) -> tuple[float, float]:
    """Minimum of a sampled cost and the distance at which it rises by one."""
    best = int(np.clip(np.argmin(cost), 1, len(x) - 2))
    step = x[1] - x[0]
    left, middle, right = cost[best - 1 : best + 2]
    curvature = max((left - 2 * middle + right) / step**2, 1e-9)
    shift = np.clip((left - right) / (2 * step * curvature), -step, step)
    return float(x[best] + shift), float(np.sqrt(2.0 / curvature))
