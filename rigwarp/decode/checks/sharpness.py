"""How blurred the projector's picture is on the table, from two photographs of opposite stripes."""

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.signal.response import estimate_response
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_CELL = 32  # camera pixels; holds a whole number of stripes, nearly
_BRIGHT = 0.3  # of the best contrast
_QUANTILE = 0.25  # of the cells are more blurred than what is returned
_LEAST_FADE = 0.02  # a modulation below this is noise
_MIN_CELLS = 4


def blur_from_stripes(
    levels: Mapping[int, NDArray[np.unsignedinteger]],
    stripes: tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]],
    period_px: float,
    swing: float,
) -> float:
    """Sigma of the blur in projector pixels, as the camera sees it.

    Parameters
    ----------
    levels : projector code 0..255 -> (H, W) photograph of that uniform frame; 0 and 255 among them.
    stripes : photographs of two sinusoids half a period apart.
    period_px : their period.
    swing : share of white between their troughs and crests.

    Raises
    ------
    MeasurementError
        If the camera sees hardly any of them.

    Notes
    -----
    The difference of the two is swing * fade * cos(phase) of the light of white minus black, whose mean square over
    whole periods is half its squared amplitude: no phase needs to be known. A Gaussian blur fades a sinusoid by
    exp(-2 (pi sigma / period)^2).
    """
    black, white = levels[min(levels)], levels[max(levels)]
    full_scale = int(np.iinfo(white.dtype).max)
    lit = (white < full_scale) & (white > black)
    table = estimate_response(dict(levels), lit, full_scale).table().astype(np.float32)
    contrast = np.where(lit, table[white] - table[black], 0.0)
    difference = np.where(lit, table[stripes[0]] - table[stripes[1]], 0.0)
    power, of_white = _cell_means(difference**2), _cell_means(contrast**2)
    bright = of_white > _BRIGHT**2 * of_white.max()
    if np.count_nonzero(bright) < _MIN_CELLS:
        raise MeasurementError(
            f"only {np.count_nonzero(bright)} patches of {_CELL} x {_CELL} camera pixels are lit, {_MIN_CELLS} are "
            "needed: check that the projector is on, that the camera sees the table, and the exposure"
        )
    fade = np.sqrt(2.0 * power[bright] / of_white[bright]) / swing
    usual = float(np.clip(np.quantile(fade, _QUANTILE), _LEAST_FADE, 1.0))
    return float(period_px / np.pi * np.sqrt(-0.5 * np.log(usual)))


def _cell_means(values: Array) -> Array:
    height, width = (max(1, n // _CELL) for n in values.shape)
    inner = np.asarray(values[: height * _CELL, : width * _CELL], np.float32)
    return np.asarray(cv2.resize(inner, (width, height), interpolation=cv2.INTER_AREA), float)
