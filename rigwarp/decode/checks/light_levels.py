"""How well the camera's exposure suits the light: saturation, contrast, room light, and where there is light at all."""

from dataclasses import dataclass

import numpy as np

from rigwarp.decode.signal.response import linearise
from rigwarp.geometry import Array, BoolArray, Photo

_LIT = 0.1  # of the usual contrast: a place that gets less is dark (a shadow, the mirror's rim, another height)
_NOISE_CODES = 3.0  # of 255: less contrast than this is no light at all
_CODED_SHAPE, _LINEAR_SHAPE = 2.4, 1.0  # usual response of 8-bit and of 16-bit cameras


@dataclass(frozen=True, kw_only=True)
class LightLevels:
    """A photograph of projected white and one of black, compared; shares of full scale unless told otherwise.

    Attributes
    ----------
    saturated : share of the pixels looked at that are at full scale in white.
    brightest : what one pixel in a thousand exceeds in white.
    white, black : medians over the lit pixels looked at.
    contrast : median of white minus black, lit pixels.
    room : light of black as a share of white's, lit pixels, for a camera of the usual response.
    lit : share of the pixels looked at that projected white makes brighter.
    """

    saturated: float
    brightest: float
    white: float
    black: float
    contrast: float
    room: float
    lit: float


def measure_light(black: Photo, white: Photo, where: BoolArray | None = None) -> LightLevels:
    """Judge the light.

    Parameters
    ----------
    black, white : (H, W) photographs of the uniform frames.
    where : (H, W) pixels that matter; None: those that projected white makes brighter.
    """
    full_scale = float(np.iinfo(white.dtype).max)
    lit = lit_pixels(black, white)
    looked_at = lit if where is None else where
    seen, dark = white[looked_at] / full_scale, black[looked_at] / full_scale
    if not seen.size:
        return LightLevels(saturated=0.0, brightest=0.0, white=0.0, black=0.0, contrast=0.0, room=1.0, lit=0.0)
    bright = lit[looked_at]
    some = bright if bright.any() else np.ones_like(bright)
    middle_white, middle_black = float(np.median(seen[some])), float(np.median(dark[some]))
    light = usual_response(int(full_scale))[np.rint(full_scale * np.array([middle_black, middle_white])).astype(int)]
    return LightLevels(
        saturated=float(np.mean(seen >= 1.0)),
        brightest=float(np.quantile(seen, 0.999)),
        white=middle_white,
        black=middle_black,
        contrast=float(np.median(seen[some] - dark[some])),
        room=float(light[0] / light[1]) if light[1] > 0.0 else 1.0,
        lit=float(np.mean(bright)),
    )


def usual_response(full_scale: int) -> Array:
    """(full_scale + 1,) linear light 0..1 of code values, as ordinary cameras have it: 8 bits coded, more bits raw."""
    return linearise(np.arange(full_scale + 1) / full_scale, _CODED_SHAPE if full_scale == 255 else _LINEAR_SHAPE)


def lit_pixels(black: Photo, white: Photo) -> BoolArray:
    """(H, W) pixels that projected white makes brighter, by a tenth of the usual contrast or more."""
    full_scale = float(np.iinfo(white.dtype).max)
    contrast = (white.astype(np.float32) - black) / np.float32(full_scale)
    usual = float(np.quantile(contrast[::4, ::4], 0.95))
    return np.asarray(contrast > max(_LIT * usual, _NOISE_CODES / 255.0), bool)
