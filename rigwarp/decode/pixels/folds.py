"""Light that folds over itself: a mirror so rippled that one table spot gets light from several projector pixels.

Where that happens nearly every camera pixel is inconsistent, or its stripes are washed out, and the orientation of the
projector picture flips from island to island of what still decodes. Such a place cannot be mapped pixel by pixel.
Around the picture light that lens and table scatter looks alike to a camera of little noise; nothing is told of it.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.pixels.fast_solver import Single
from rigwarp.decode.pixels.full_frame import Pictures
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

CELL = 16  # camera pixels
_LIT_SHARE = 0.25  # of a cell, to be judged at all
_BAD_SHARE = 0.5  # of a cell's lit pixels: what decodes among them are islands
_FLIP_SHARE = 0.2  # of a cell's decoded pixels with the rarer orientation, where much else fails
_FLIP_BAD_SHARE = 0.15
_BAD = (Reason.INCONSISTENT, Reason.STRAY)
_FEW_BAD = 0.01  # of the lit pixels: not worth a closer look
_LEAST_GOOD = 0.05  # of a cell's lit pixels decode
_WORTH_TELLING = 0.02  # of the lit cells
LITTLE_LEFT = 0.2  # of the lit pixels
_ROW_STEP, _COLUMN_STEP = 4, 2  # camera pixels from one that is looked at to the next; both go into CELL
_STEP = 3  # camera pixels over which the orientation is judged: noise of a position is far less than what they differ


@dataclass(frozen=True, kw_only=True)
class Folds:
    """(H, W) FOLDED where islands are to be taken out, else 0; and what to tell. None and empty if there is nothing."""

    verdict: NDArray[np.uint8] | None
    text: str


def find_folds(pictures: Pictures, lit: NDArray[np.bool_]) -> Folds:
    """Find where light folds over itself.

    Parameters
    ----------
    lit : (H, W) where the projector's own light is, not only what is scattered from there.

    Raises
    ------
    MeasurementError
        If little of what the camera sees lit is single-valued.
    """
    reason = pictures.reason
    nothing = Folds(verdict=None, text="")
    good_count = np.count_nonzero(reason == Reason.OK)
    bad_count = sum(np.count_nonzero(reason == kind) for kind in _BAD)
    if bad_count < _FEW_BAD * (bad_count + good_count):
        return nothing
    good_share, bad_share = _cell_shares(reason, (Reason.OK,)), _cell_shares(reason, _BAD)
    lit_share = good_share + bad_share
    judged = lit_share > _LIT_SHARE
    suspect = judged & (bad_share > _FLIP_BAD_SHARE * lit_share)
    if not suspect.any():
        return nothing
    # where next to nothing decodes there is no orientation to look at
    flipping = _flips(pictures.u_px, pictures.v_px, suspect & (good_share > _LEAST_GOOD * lit_share))
    crowded = judged & (bad_share > _BAD_SHARE * lit_share)
    folded = crowded | flipping
    inside = _inside(judged)
    if np.count_nonzero(folded & inside) < _WORTH_TELLING * np.count_nonzero(inside):
        return nothing
    # at the rim of a bad area good pixels are no islands: only what is surrounded by it goes
    islands = cv2.erode(folded.view(np.uint8), np.ones((3, 3), np.uint8)).view(bool) | flipping
    verdict = over_pixels(islands, reason.shape)
    inside = _inside(judged & (_cell_means(255 * lit.view(np.uint8)) > 255 * _LIT_SHARE))
    told = folded & inside
    share = float(np.count_nonzero(told)) / max(float(np.count_nonzero(inside)), 1.0)
    if share < _WORTH_TELLING:
        return Folds(verdict=verdict, text="")
    there = lit & np.isin(reason, (Reason.OK, *_BAD))
    left = float(np.count_nonzero((reason == Reason.OK) & (verdict == 0) & there)) / float(np.count_nonzero(there))
    text = _text(told, share, bool((flipping & told).any()))
    if left < LITTLE_LEFT:
        raise MeasurementError(
            f"only {100 * left:.0f} % of what the camera sees lit can be mapped pixel by pixel, "
            f"{100 * LITTLE_LEFT:.0f} % are needed: {text}. Check the mirror's surface for ripples of short period and "
            "the design for overlapping zones"
        )
    return Folds(verdict=verdict, text=text)


def _inside(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those that have all their neighbours, all where none has: at the rim of the light some cells always fail."""
    inside = cv2.erode(cells.view(np.uint8), np.ones((3, 3), np.uint8), borderValue=0).view(bool)
    return inside if inside.any() else cells


def _text(folded: NDArray[np.bool_], share: float, flips: bool) -> str:
    rows, columns = np.nonzero(folded)
    low, high = (np.quantile((columns, rows), q, axis=1) * CELL for q in (0.05, 0.95))
    why = (
        "and the picture's orientation flips there, as where light folds over itself"
        if flips
        else ("as where light of two zones or folds overlaps")
    )
    return (
        f"on {100 * share:.0f} % of the lit area (mostly camera pixels {low[0]:.0f} to {high[0] + CELL:.0f} across, "
        f"{low[1]:.0f} to {high[1] + CELL:.0f} down) light arrives on several paths at once, {why}"
    )


def over_pixels(islands: NDArray[np.bool_], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """FOLDED at the pixels of the chosen cells, else 0."""
    marked = islands.view(np.uint8) * np.uint8(Reason.FOLDED)
    return marked.repeat(CELL, axis=0)[: shape[0]].repeat(CELL, axis=1)[:, : shape[1]]


def _cell_shares(reason: NDArray[np.uint8], kinds: tuple[Reason, ...]) -> Array:
    """Share of the pixels of each cell that have one of these reasons; what a cell lacks at the rim has none."""
    table = np.zeros(256, np.uint8)
    table[list(kinds)] = 255
    return _cell_means(np.asarray(cv2.LUT(reason, table), np.uint8)) / 255.0


def _cell_means(picture: NDArray[np.uint8]) -> Array:
    rows, columns = (-n % CELL for n in picture.shape)
    # whole cells: then INTER_AREA is the plain mean, and quick
    whole = cv2.copyMakeBorder(picture, 0, rows, 0, columns, cv2.BORDER_CONSTANT, value=0)
    cells = (whole.shape[1] // CELL, whole.shape[0] // CELL)
    return np.asarray(cv2.resize(whole, cells, interpolation=cv2.INTER_AREA), float)


def _flips(u_px: Single, v_px: Single, wanted: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the wanted cells hold both orientations: signs of the determinant of d(u, v) / d(column, row)."""
    height, width = u_px.shape
    flips = np.zeros_like(wanted)
    here = np.arange(0, width - _STEP, _COLUMN_STEP)
    determinant = np.zeros((CELL // _ROW_STEP, wanted.shape[1] * CELL // _COLUMN_STEP), np.float32)
    for row in np.flatnonzero(wanted.any(axis=1)):
        rows = np.arange(row * CELL, min((row + 1) * CELL, height - _STEP), _ROW_STEP)
        if not rows.size:
            continue
        determinant[:] = 0.0
        determinant[: len(rows), : len(here)] = _turns(u_px, v_px, rows, here)
        by_cell = determinant.reshape(len(determinant), -1, CELL // _COLUMN_STEP)
        positive, negative = (np.count_nonzero(sign, axis=(0, 2)) for sign in (by_cell > 0, by_cell < 0))
        flips[row] = np.minimum(positive, negative) > _FLIP_SHARE * (positive + negative)
    return flips & wanted


def _turns(u_px: Single, v_px: Single, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Single:
    """(R, C) determinant of d(u, v) / d(column, row) over _STEP camera pixels; NaN where a pixel has no position."""
    beside, below = columns + _STEP, rows + _STEP
    (u, beside_u, below_u), (v, beside_v, below_v) = (
        (image[np.ix_(rows, columns)], image[np.ix_(rows, beside)], image[np.ix_(below, columns)])
        for image in (u_px, v_px)
    )
    return np.asarray((beside_u - u) * (below_v - v) - (beside_v - v) * (below_u - u), np.float32)
