"""Which pixels the projector reaches, by its black frame and its white one."""

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.pixels.fast_solver import compare
from rigwarp.decode.pixels.refusals import exchanged_error, unlit_error

MIN_CONTRAST: Final = 0.015
"""(white - black) / full scale below which a pixel is not looked at."""
_MIN_LIT = 500  # camera pixels; fewer are no scan
_LIT_WINDOW = 5  # camera pixels, of which most are lit around a lit one


def first_look(black: NDArray[np.unsignedinteger], white: NDArray[np.unsignedinteger]) -> NDArray[np.uint8]:
    """(H, W) reasons: too dark, saturated in the white frame, or OK."""
    full_scale = int(np.iinfo(white.dtype).max)
    lit, burnt = np.zeros(black.shape, np.uint8), np.zeros(black.shape, np.uint8)
    compare(cv2.subtract(white, black), float(np.ceil(MIN_CONTRAST * full_scale)), cv2.CMP_GE, lit)
    # a lit pixel among dark ones is noise
    around = cv2.boxFilter(
        np.minimum(lit, 1), -1, (_LIT_WINDOW, _LIT_WINDOW), normalize=False, borderType=cv2.BORDER_REPLICATE
    )
    np.bitwise_and(lit, cv2.inRange(around, _LIT_WINDOW**2 // 2 + 1, _LIT_WINDOW**2), out=lit)
    dark = np.bitwise_not(lit, out=lit)
    reason = np.bitwise_and(dark, np.uint8(Reason.TOO_DARK), out=dark)
    compare(white, float(full_scale), cv2.CMP_EQ, burnt)
    np.bitwise_and(burnt, np.uint8(Reason.SATURATED), out=burnt)
    return np.maximum(reason, burnt, out=reason)


def check_lit(
    reason: NDArray[np.uint8],
    black: NDArray[np.unsignedinteger],
    white: NDArray[np.unsignedinteger],
    labels: Sequence[str],
) -> None:
    """MeasurementError where too few pixels (H, W) are OK; `labels` name the black and the white frame."""
    usable = int(np.count_nonzero(reason == Reason.OK))
    if usable >= _MIN_LIT:
        return
    exchanged = np.count_nonzero(first_look(white, black) != Reason.TOO_DARK) >= _MIN_LIT
    saturated = np.count_nonzero(reason == Reason.SATURATED) / reason.size
    raise exchanged_error(*labels) if exchanged else unlit_error(usable, saturated, MIN_CONTRAST)
