"""Does the projector show the picture pixel for pixel? Told by stripes one pixel wide, which no camera need resolve.

Scaling anywhere on the way (desktop, graphics card, projector, overscan) mixes neighbouring pixels, and mixes code
values, not light. Stripes of full white and full black give half of white's light however blurred they arrive; mixed
to grey codes they give less, because the transfer curve is convex: a code of one half is a quarter of the light. Where
the mixing changes from place to place, as it does for nearly every scale, the light comes in bands. Scaling that only
repeats pixels keeps the light but makes one of two opposite stripe pictures brighter than the other.

How much light a photograph stands for is told twice: by the camera's response, estimated from the grey levels, and by
the grey level that looks as bright, whose light the projector's nominal curve tells. Either may be wrong (a linear
camera over an even table, a projector's own picture mode), hardly both at once: the larger of them counts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.signal.response import estimate_response
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, Photo
from rigwarp.rig import Transfer, decode_transfer

_REACH_PX = 10.0  # sigma of the local mean, camera pixels: stripes up to 12 px wide on the picture leave no trace
_STEP = 16  # every so-manieth pixel of the local means is looked at: neighbours say the same
_BRIGHT = 0.25  # of the best contrast; dimmer places are mostly noise
_FILLED = 0.7  # share of a place's surroundings that must be usable
_MIN_PLACES = 12
_FIRST_HARMONIC_RMS = 4.0 / np.pi / np.sqrt(2.0)


@dataclass(frozen=True, kw_only=True)
class FinestStripes:
    """What two opposite pictures of stripes, each one pixel wide, look like from afar.

    Attributes
    ----------
    light : median over the picture of their mean light, as a share of white minus black; 0.5 pixel for pixel. By the
        camera's response or by the level that looks as bright, whichever is larger.
    equal_code : the projector code (0..255) of the uniform frame that looks as bright; 128 when fully mixed.
    banding : half the distance of its 16 % and 84 % quantiles over the picture: about 0 pixel for pixel.
    imbalance : median of half the difference of their local means, either sign: 0 pixel for pixel.
    contrast : what the camera sees of the stripes themselves, as a share of white's; blur of both sides takes most.
    allowed : what the blur would leave of it pixel for pixel, told by stripes two pixels wide; NaN without those.
        Repeated or dropped pixels leave more, smoothing of the signal leaves less.
    places : how many places of the picture were looked at.
    """

    light: float
    equal_code: float
    banding: float
    imbalance: float
    contrast: float
    allowed: float
    places: int


def stripe_frames(
    resolution: tuple[int, int], axis: str, *, pixels: int = 1
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Stripes so many pixels wide across `axis` ("x": upright ones), and their opposite; (H, W) uint8."""
    width, height = resolution
    line = np.arange(width if axis == "x" else height) // pixels % 2 * np.uint8(255)
    first = np.tile(line, (height, 1)) if axis == "x" else np.tile(line[:, None], (1, width))
    first = np.asarray(first, np.uint8)
    return first, np.uint8(255) - first


def measure_finest_stripes(
    levels: Mapping[int, Photo],
    stripes: Sequence[Photo],
    transfer: Transfer,
    *,
    wider: Sequence[Photo] | None = None,
) -> FinestStripes:
    """Judge one direction of stripes.

    Parameters
    ----------
    levels : projector code 0..255 -> (H, W) photograph of that uniform frame; 0 and 255 among them.
    stripes : photographs of the two frames of `stripe_frames`.
    transfer : the projector's nominal curve.
    wider : photographs of those two pixels wide.

    Raises
    ------
    MeasurementError
        If the camera sees hardly any light, or too much.

    Notes
    -----
    A Gaussian blur of sigma s leaves exp(-2 (pi s / P)^2) of a period P: that of half the period is its fourth power.
    The first harmonic of stripes has 4 / pi of their amplitude, hence 0.90 of their rms.
    """
    black, white = levels[min(levels)], levels[max(levels)]
    full_scale = int(np.iinfo(white.dtype).max)
    usable = (white < full_scale) & (white > black)
    for photo in (*stripes, *(wider or ())):
        usable &= photo < full_scale  # stripes that the camera resolves may be as bright as white
    table = estimate_response(dict(levels), usable, full_scale).table().astype(np.float32)
    dark = table[black]
    contrast = np.where(usable, table[white] - dark, 0.0)
    weight = _local(usable.astype(np.float32))
    of_white = _local(contrast)
    there = _places(of_white, weight)
    one, other = (_local(np.where(usable, table[photo] - dark, 0.0))[there] / of_white[there] for photo in stripes)
    of_white_square = _local(contrast**2)[there]

    def seen(pair: Sequence[Photo]) -> float:
        apart = np.where(usable, table[pair[0]] - table[pair[1]], 0.0)
        return float(np.sqrt(np.median(_local(apart**2)[there] / of_white_square)))

    mean, half = (one + other) / 2.0, (one - other) / 2.0
    low, middle, high = np.quantile(mean, [0.16, 0.5, 0.84])
    code = _equal_code(levels, stripes, usable, there)
    return FinestStripes(
        light=max(float(middle), float(decode_transfer(np.array(code / 255.0), transfer))),
        equal_code=code,
        banding=float((high - low) / 2.0),
        imbalance=float(np.median(np.abs(half))),  # places at the picture's rim see half a stripe
        contrast=seen(stripes),
        allowed=float("nan") if wider is None else _half_the_period(seen(wider)),
        places=int(np.count_nonzero(there)),
    )


def _half_the_period(contrast: float) -> float:
    """Contrast of stripes half as wide."""
    fade = min(contrast / _FIRST_HARMONIC_RMS, 1.0)
    return float(_FIRST_HARMONIC_RMS * fade**4)


def _equal_code(levels: Mapping[int, Photo], stripes: Sequence[Photo], usable: BoolArray, there: BoolArray) -> float:
    """Median over the places of the code whose uniform frame looks as bright as the stripes do on average."""
    codes = np.array(sorted(levels), float)
    inside = usable.astype(np.float32)

    def looks(photo: Photo) -> Array:
        return np.asarray(_local(photo * inside)[there])

    steps = np.stack([looks(levels[int(code)]) for code in codes])  # (L, N), growing with the code
    seen = sum(looks(photo) for photo in stripes) / len(stripes)
    above = np.clip(np.sum(steps <= seen, axis=0), 1, len(codes) - 1)
    below_value, above_value = (np.take_along_axis(steps, (above - k)[None], axis=0)[0] for k in (1, 0))
    share = (seen - below_value) / np.maximum(above_value - below_value, 1e-6)
    return float(np.median(codes[above - 1] + share * (codes[above] - codes[above - 1])))


def _places(of_white: Array, weight: Array) -> BoolArray:
    """Which local means count: bright ones in the midst of usable pixels."""
    filled = weight > _FILLED
    best = float(np.quantile(of_white[filled], 0.98)) if filled.any() else 0.0
    there = filled & (of_white > _BRIGHT * best) & (of_white > 0.0)
    if np.count_nonzero(there) < _MIN_PLACES:
        raise MeasurementError(
            f"only {np.count_nonzero(there)} places of the picture are lit and not saturated, {_MIN_PLACES} are needed "
            "to judge the finest stripes: check the exposure, and that the camera sees the lit table"
        )
    return np.asarray(there, bool)


def _local(values: NDArray[Any]) -> Array:
    """Local means, every _STEP pixels: what a Gaussian blur has there, in a twentieth of its time."""
    return np.asarray(_down(_down(np.asarray(values, np.float32)).T).T, float)


def _down(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Local means along columns, of every _STEP-th row."""
    reach = round(4.0 * _REACH_PX)
    weights = cv2.getGaussianKernel(2 * reach + 1, _REACH_PX, cv2.CV_32F).ravel()
    padded = np.pad(values, ((reach, reach), (0, 0)), mode="edge")
    rows = range(_STEP // 2, len(values), _STEP)
    return np.stack([weights @ padded[row : row + len(weights)] for row in rows])
