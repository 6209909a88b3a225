"""How far positions are off where light ends: what a pixel shows there comes from its lit side.

Lens, a pixel's own square and a mosaic of colours spread light. The place whose light a pixel shows on average is then
variance * grad(light) / light away from its own, light as photographed (for a normal spread exactly: Efron, Tweedie's
formula and selection bias, JASA 106, 2011). Inside a picture that is nothing, at its edge half a pixel and more. How
far a camera spreads light is not known, so that the way is a sigma and no correction.
"""

from collections.abc import Callable
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.pixels.full_frame import Pictures
from rigwarp.geometry import Array, BoolArray

_SPREAD_PX2 = 0.6
"""Variance of the spread along each axis, camera pixels: 1/12 of a pixel's square, 1/4 of a lens of half a pixel, 1/4
of the mean over a colour's two nearest places in a mosaic. A sharp camera without colours has 0.2, a blurred one with
colours 1.0."""
_INSIDE_PX = 4.0
_LEAST_LIGHT = 1e-6


def widen_at_edges(
    pictures: Pictures, ends: tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]], light_of_code: Array
) -> None:
    """Add to the sigmas of pixels that darker ones touch how far their positions may be off; `ends`: black, white."""
    contrast: NDArray[Any] = np.asarray(cv2.subtract(ends[1], ends[0]))
    darkest = cv2.erode(contrast, np.ones((3, 3), np.uint8))
    contrast -= contrast >> 2  # darker by a quarter than the pixel itself is an edge
    edge: BoolArray = np.asarray(darkest < contrast) & (pictures.reason == Reason.OK)
    at = np.stack(np.nonzero(edge))
    light = partial(_light, ends, light_of_code)
    middle = np.maximum(light(at), _LEAST_LIGHT)
    slope = np.stack([_difference(light, at, axis) for axis in (0, 1)])
    away_px = _SPREAD_PX2 * slope / middle
    # steps from pixel to pixel are as small as light is mixed at the edge itself
    inside = at + np.rint(_INSIDE_PX * slope / np.maximum(np.hypot(*slope), _LEAST_LIGHT)).astype(np.intp)
    for position, sigma in ((pictures.u_px, pictures.sigma_u_px), (pictures.v_px, pictures.sigma_v_px)):
        steps = (_difference(partial(_value, position), inside, axis) for axis in (0, 1))
        off = np.abs(sum(px * step for px, step in zip(away_px, steps, strict=True)))
        known = np.isfinite(off)
        if known.any():
            sigma[edge] = np.hypot(sigma[edge], np.where(known, off, np.median(off[known])))


def _difference(of: Callable[[NDArray[np.intp]], Array], at: NDArray[np.intp], axis: int) -> Array:
    """Half of the difference between the neighbours along an axis of pixels (2, N), rows first."""
    step = np.eye(2, dtype=np.intp)[axis][:, None]
    return 0.5 * (of(at + step) - of(at - step))


def _light(ends: tuple[Any, Any], light_of_code: Array, at: NDArray[np.intp]) -> Array:
    black, white = (_value(end, at) for end in ends)
    return np.asarray(light_of_code[white] - light_of_code[black])


def _value(picture: NDArray[Any], at: NDArray[np.intp]) -> NDArray[Any]:
    """Of pixels (2, N); beside the picture that of its rim."""
    rows, columns = (np.clip(along, 0, length - 1) for along, length in zip(at, picture.shape, strict=True))
    return np.asarray(picture[rows, columns])
