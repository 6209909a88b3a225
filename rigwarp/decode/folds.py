"""Light that folds over itself: a mirror so rippled that one table spot gets light from several projector pixels.

Where that happens nearly every camera pixel is inconsistent, or its stripes are washed out, and the orientation of the
projector picture flips from island to island of what still decodes. Such a place cannot be mapped pixel by pixel.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.whole import Pictures
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_CELL = 16  # camera pixels
_LIT_SHARE = 0.25  # of a cell, to be judged at all
_BAD_SHARE = 0.5  # of a cell's lit pixels: what decodes among them are islands
_FLIP_SHARE = 0.2  # of a cell's decoded pixels with the rarer orientation, where much else fails
_FLIP_BAD_SHARE = 0.15
_FEW_BAD = 0.01  # of the lit pixels: not worth a closer look
_WORTH_TELLING = 0.02  # of the lit cells
_LITTLE_LEFT = 0.2  # of the lit pixels
_STEP = 3  # camera pixels over which the orientation is judged: noise of a position is far less than what they differ


@dataclass(frozen=True, kw_only=True)
class Folds:
    """(H, W) FOLDED where islands are to be taken out, else 0; and what to tell, empty if nothing."""

    verdict: NDArray[np.uint8]
    text: str


def find_folds(pictures: Pictures) -> Folds:
    """Find where light folds over itself.

    Raises
    ------
    MeasurementError
        If little of what the camera sees lit is single-valued.
    """
    reason = pictures.reason
    good = reason == Reason.OK
    bad = (reason == Reason.INCONSISTENT) | (reason == Reason.STRAY)
    verdict = np.zeros_like(reason)
    failing = np.count_nonzero(bad)
    if failing < _FEW_BAD * (failing + np.count_nonzero(good)):
        return Folds(verdict=verdict, text="")
    good_share, bad_share = _cell_means(good), _cell_means(bad)
    lit_share = good_share + bad_share
    judged = lit_share > _LIT_SHARE
    if not judged.any() or not (judged & (bad_share > _FLIP_BAD_SHARE * lit_share)).any():
        return Folds(verdict=verdict, text="")
    positive, negative = _orientations(pictures.u_px, pictures.v_px)
    positive_share, negative_share = _cell_means(positive), _cell_means(negative)
    flips = np.minimum(positive_share, negative_share) > _FLIP_SHARE * (positive_share + negative_share)
    crowded = judged & (bad_share > _BAD_SHARE * lit_share)
    flipping = judged & flips & (bad_share > _FLIP_BAD_SHARE * lit_share)
    folded = crowded | flipping
    share = np.count_nonzero(folded) / np.count_nonzero(judged)
    if share < _WORTH_TELLING:
        return Folds(verdict=verdict, text="")
    size = (reason.shape[1], reason.shape[0])
    # at the rim of a bad area good pixels are no islands: only what is surrounded by it goes
    islands = cv2.erode(folded.view(np.uint8), np.ones((3, 3), np.uint8)).view(bool) | flipping
    verdict[cv2.resize(islands.view(np.uint8), size, interpolation=cv2.INTER_NEAREST_EXACT) > 0] = Reason.FOLDED
    left = float(np.count_nonzero(good & (verdict == 0))) / max(1.0, float(np.count_nonzero(good | bad)))
    text = _text(folded, share, bool((flips & folded).any()))
    if left < _LITTLE_LEFT:
        raise MeasurementError(
            f"only {left:.0%} of what the camera sees lit can be mapped pixel by pixel, {_LITTLE_LEFT:.0%} are needed: "
            f"{text}. Check the mirror's surface for ripples of short period and the design for overlapping zones"
        )
    return Folds(verdict=verdict, text=text)


def _text(folded: NDArray[np.bool_], share: float, flips: bool) -> str:
    rows, columns = np.nonzero(folded)
    low, high = (np.quantile((columns, rows), q, axis=1) * _CELL for q in (0.05, 0.95))
    why = (
        "and the picture's orientation flips there, as where light folds over itself"
        if flips
        else ("as where light of two zones or folds overlaps")
    )
    return (
        f"on {share:.0%} of the lit area (mostly camera pixels {low[0]:.0f} to {high[0] + _CELL:.0f} across, "
        f"{low[1]:.0f} to {high[1] + _CELL:.0f} down) light arrives on several paths at once, {why}"
    )


def _cell_means(mask: NDArray[np.bool_]) -> Array:
    height, width = mask.shape
    cells = (-(-width // _CELL), -(-height // _CELL))
    return np.asarray(cv2.resize(255 * mask.view(np.uint8), cells, interpolation=cv2.INTER_AREA), float) / 255.0


def _orientations(u_px: Array, v_px: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where d(u, v) / d(column, row) has a positive and a negative determinant."""
    size = (u_px.shape[0] - _STEP, u_px.shape[1] - _STEP)
    corner = (slice(None, size[0]), slice(None, size[1]))
    right, below = (corner[0], slice(_STEP, None)), (slice(_STEP, None), corner[1])
    across = (u_px[right] - u_px[corner], v_px[right] - v_px[corner])
    down = (u_px[below] - u_px[corner], v_px[below] - v_px[corner])
    determinant = across[0] * down[1] - across[1] * down[0]
    positive, negative = (np.zeros(u_px.shape, bool) for _ in range(2))
    positive[corner] = determinant > 0
    negative[corner] = determinant < 0
    return positive, negative
