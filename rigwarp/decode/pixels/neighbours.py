"""What a pixel's neighbours say about it: misfit all around, movement, and positions that stand alone."""

from collections.abc import Callable
from concurrent.futures import Executor

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.photographs.repeats import CELL_PX
from rigwarp.decode.pixels.fast_solver import Single, compare
from rigwarp.decode.pixels.full_frame import MISFIT_STEP, MOVED_STEP, Pictures
from rigwarp.geometry import BoolArray

_WINDOW = 5  # camera pixels; misfit is averaged over a square of them
_WINDOW_SIGMAS = 4.5  # of the averaged chi-square ...
_WINDOW_FACTOR = 1.15  # ... above this times its expectation: the noise model is not better than that everywhere
_USUAL_FACTOR = 1.3  # ... or this times what is usual in this scan
_CORNERS = 3  # of the four squares that meet in a pixel
_MOVED_SHARE = 0.2  # of a cell's pixels are lit, at least, for a verdict
_MOVED_MISFIT = 3.0  # chi-square per degree of freedom between a frame and its repeat
_STRIP = 48  # rows looked at together
_NEIGHBOUR_STEPS = 4.0  # times the usual step between neighbours ...
_NEIGHBOUR_PX = 2.0  # ... plus this much are still neighbours in the projector picture


def judge_by_neighbours(
    pictures: Pictures, freedom: int, pool: Executor, displaced: Callable[[BoolArray], BoolArray]
) -> None:
    """Change the reason of pixels whose surroundings speak against them; their values become NaN.

    Parameters
    ----------
    displaced : of the cells whose repeated frames differ, those where a shift explains it.
    """
    usual_px = _usual_step_px(pictures)
    limit = _misfit_limit(pictures, freedom)
    height = len(pictures.reason)
    verdict = np.zeros_like(pictures.reason)

    def work(top: int) -> None:
        _judge_strip(pictures, top, min(top + _STRIP, height), limit, usual_px, verdict)

    list(pool.map(work, range(0, height, _STRIP)))
    if pictures.moved is not None:
        _mark_moved(pictures, pictures.moved, verdict, displaced)
    take_out(pictures, verdict, pool)


def take_out(pictures: Pictures, verdict: NDArray[np.uint8], pool: Executor) -> None:
    """Give decoded pixels the reasons in `verdict` where it is not 0, and remove their values."""
    values = (
        pictures.u_px, pictures.v_px, pictures.sigma_u_px, pictures.sigma_v_px, pictures.light, pictures.chi2,
    )  # fmt: skip

    def work(top: int) -> None:  # by strips, for the sake of memory
        rows = slice(top, top + _STRIP)
        taken, decoded = (np.zeros(verdict[rows].shape, np.uint8) for _ in range(2))
        compare(verdict[rows], 0, cv2.CMP_NE, taken)
        compare(pictures.reason[rows], int(Reason.OK), cv2.CMP_EQ, decoded)
        np.bitwise_and(taken, decoded, out=taken)
        if not cv2.hasNonZero(taken):
            return
        np.copyto(pictures.reason[rows], verdict[rows], where=taken.view(bool))
        at = np.flatnonzero(taken)
        for picture in values:
            picture[rows].reshape(-1)[at] = np.nan

    list(pool.map(work, range(0, len(verdict), _STRIP)))


def _misfit_limit(pictures: Pictures, freedom: int) -> float:
    """Above which mean of chi-square over a square of pixels is suspect; 0 where there is no chi-square."""
    if not freedom:
        return 0.0
    spread = _WINDOW_SIGMAS * np.sqrt(2.0 * freedom) / _WINDOW
    rows = pictures.chi2[:: 2 * _WINDOW]
    decoded = rows[np.isfinite(rows)]
    runs = decoded[: decoded.size // _WINDOW**2 * _WINDOW**2].reshape(-1, _WINDOW**2)
    usual = float(np.median(runs.mean(axis=1))) if len(runs) else float(freedom)
    return max(_WINDOW_FACTOR * freedom, _USUAL_FACTOR * usual) + spread


def _usual_step_px(pictures: Pictures) -> float:
    """Median distance in the projector picture between what horizontal neighbours see."""
    rows = slice(None, None, 16)
    steps = np.hypot(np.diff(pictures.u_px[rows], axis=1), np.diff(pictures.v_px[rows], axis=1))
    steps = steps[np.isfinite(steps)]
    return float(np.median(steps)) if steps.size else 0.0


def _judge_strip(
    pictures: Pictures, top: int, bottom: int, limit: float, usual_px: float, verdict: NDArray[np.uint8]
) -> None:
    halo = _WINDOW - 1
    first, last = max(0, top - halo), min(len(pictures.reason), bottom + halo)
    lit = np.flatnonzero((pictures.reason[top:bottom] == Reason.OK).any(axis=0))
    if not lit.size:
        return
    strip = (slice(first, last), slice(max(0, int(lit[0]) - halo), int(lit[-1]) + 1 + halo))
    inner = slice(top - first, bottom - first)
    reason = pictures.reason[strip]
    found = verdict[top:bottom, strip[1]]
    alone = _stands_alone(pictures.u_px[strip], pictures.v_px[strip], usual_px)[inner]
    np.bitwise_or(found, np.bitwise_and(alone, np.uint8(Reason.STRAY)), out=found)
    if limit > 0:
        usable = ((reason == Reason.OK) | (reason == Reason.INCONSISTENT)).view(np.uint8)
        found[_mean_exceeds(pictures.misfit[strip], usable, limit)[inner]] = Reason.INCONSISTENT


def _mark_moved(
    pictures: Pictures,
    moved: NDArray[np.uint8],
    verdict: NDArray[np.uint8],
    displaced: Callable[[BoolArray], BoolArray],
) -> None:
    """Mark the cells whose repeated frames differ, by the mean over their lit pixels; `moved` is used up."""
    height, width = moved.shape
    size = (-(-width // CELL_PX), -(-height * MOVED_STEP // CELL_PX))
    table = np.zeros(256, np.uint8)
    table[[Reason.OK, Reason.INCONSISTENT]] = 255
    lit = np.asarray(cv2.LUT(pictures.reason[::MOVED_STEP], table), np.uint8)
    np.bitwise_and(moved, lit, out=moved)
    # INTER_AREA averages over the cell, rounded to whole steps: the limit is several of them
    steps = np.asarray(cv2.resize(moved, size, interpolation=cv2.INTER_AREA), float)
    share = np.asarray(cv2.resize(lit, size, interpolation=cv2.INTER_AREA), float) / 255.0
    exceeds = (steps > _MOVED_MISFIT / MISFIT_STEP * share) & (share > _MOVED_SHARE)
    if exceeds.any():
        cells = np.where(exceeds, np.where(displaced(exceeds), Reason.MOVED, Reason.PASSED_BY), 0).astype(np.uint8)
        marked = np.asarray(cv2.resize(cells, verdict.shape[::-1], interpolation=cv2.INTER_NEAREST_EXACT))
        np.copyto(verdict, marked, where=marked > 0)


def _mean_exceeds(steps: NDArray[np.uint8], usable: NDArray[np.uint8], limit: float) -> NDArray[np.bool_]:
    """Where the mean over the usable pixels exceeds a limit in the squares around; `steps` is 0 where not usable.

    A pixel is a corner of four squares; three must exceed, so that a clean pixel beside a bad area is kept.
    """
    square = (_WINDOW, _WINDOW)
    total, count = (
        np.asarray(cv2.boxFilter(image, cv2.CV_16U, square, normalize=False, borderType=cv2.BORDER_CONSTANT))
        for image in (steps, usable)
    )
    np.multiply(count, np.uint16(limit / MISFIT_STEP), out=count)
    half = _WINDOW // 2
    height, width = steps.shape
    exceeds = np.pad((total > count).view(np.uint8), half)
    corners = exceeds[:height, :width] + exceeds[2 * half :, :width]
    corners += exceeds[:height, 2 * half :]
    corners += exceeds[2 * half :, 2 * half :]
    return np.asarray(corners >= _CORNERS)


def _stands_alone(u_px: Single, v_px: Single, usual_px: float) -> NDArray[np.uint8]:
    """255 at pixels that agree with fewer than two of their four neighbours, else 0."""
    near_px = _NEIGHBOUR_STEPS * usual_px + _NEIGHBOUR_PX
    agreeing = np.zeros(u_px.shape, np.uint8)
    for one, other in (((slice(1, None), slice(None)), (slice(None, -1), slice(None))),
                       ((slice(None), slice(1, None)), (slice(None), slice(None, -1)))):  # fmt: skip
        near_u, near_v = (_near(image[one], image[other], near_px) for image in (u_px, v_px))
        near = np.bitwise_and(near_u, near_v, out=near_u)
        # 255 is minus one
        agreeing[one] -= near
        agreeing[other] -= near
    return np.asarray(cv2.inRange(agreeing, 0, 1), np.uint8)


def _near(one_px: Single, other_px: Single, limit_px: float) -> NDArray[np.uint8]:
    """255 where they differ by less than the limit, else 0; with NaN it is 0."""
    found = np.zeros(one_px.shape, np.uint8)
    compare(np.asarray(cv2.absdiff(one_px, other_px)), limit_px, cv2.CMP_LT, found)
    return found
