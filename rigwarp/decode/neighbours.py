"""What a pixel's neighbours say about it: misfit all around, movement, and positions that stand alone."""

from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.whole import MISFIT_STEP, THREADS, Pictures
from rigwarp.geometry import Array

_WINDOW = 5  # camera pixels; misfit is averaged over a square of them
_WINDOW_SIGMAS = 4.5  # of the averaged chi-square ...
_WINDOW_FACTOR = 1.15  # ... above this times its expectation: the noise model is not better than that everywhere
_CORNERS = 3  # of the four squares that meet in a pixel
_MOVED_WINDOW = 9
_MOVED_MISFIT = 3.0  # chi-square per degree of freedom between a frame and its repeat
_STRIP = 96  # rows looked at together
_NEIGHBOUR_STEPS = 4.0  # times the usual step between neighbours ...
_NEIGHBOUR_PX = 2.0  # ... plus this much are still neighbours in the projector picture


def judge_by_neighbours(pictures: Pictures, freedom: int) -> None:
    """Change the reason of pixels whose surroundings speak against them; their values become NaN."""
    usual_px = _usual_step_px(pictures)
    height = len(pictures.reason)
    verdict = np.zeros_like(pictures.reason)

    def work(top: int) -> None:
        _judge_strip(pictures, top, min(top + _STRIP, height), freedom, usual_px, verdict)

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(work, range(0, height, _STRIP)))
    take_out(pictures, verdict)


def take_out(pictures: Pictures, verdict: NDArray[np.uint8]) -> None:
    """Give decoded pixels the reasons in `verdict` where it is not 0, and remove their values."""
    out = np.flatnonzero((verdict != 0) & (pictures.reason == Reason.OK))
    pictures.reason.ravel()[out] = verdict.ravel()[out]
    for picture in (
        pictures.u_px, pictures.v_px, pictures.sigma_u_px, pictures.sigma_v_px, pictures.light, pictures.chi2,
    ):  # fmt: skip
        picture.ravel()[out] = np.nan


def _usual_step_px(pictures: Pictures) -> float:
    """Median distance in the projector picture between what horizontal neighbours see."""
    rows = slice(None, None, 16)
    steps = np.hypot(np.diff(pictures.u_px[rows], axis=1), np.diff(pictures.v_px[rows], axis=1))
    steps = steps[np.isfinite(steps)]
    return float(np.median(steps)) if steps.size else 0.0


def _judge_strip(
    pictures: Pictures, top: int, bottom: int, freedom: int, usual_px: float, verdict: NDArray[np.uint8]
) -> None:
    halo = max(_WINDOW, _MOVED_WINDOW) - 1
    first, last = max(0, top - halo), min(len(pictures.reason), bottom + halo)
    inner = slice(top - first, bottom - first)
    reason = pictures.reason[first:last]
    if not (reason[inner] == Reason.OK).any():
        return
    found = verdict[top:bottom]
    stray = _stands_alone(pictures.u_px[first:last], pictures.v_px[first:last], usual_px)[inner]
    found[stray] = Reason.STRAY
    usable = ((reason == Reason.OK) | (reason == Reason.INCONSISTENT)).view(np.uint8)
    if freedom:
        spread = _WINDOW_SIGMAS * np.sqrt(2.0 * freedom) / _WINDOW
        limit = _WINDOW_FACTOR * freedom + spread
        found[_mean_exceeds(pictures.misfit[first:last], usable, _WINDOW, limit)[inner]] = Reason.INCONSISTENT
    if pictures.moved is not None:
        lit = (reason != Reason.TOO_DARK).view(np.uint8) & (reason != Reason.SATURATED).view(np.uint8)
        found[_mean_exceeds(pictures.moved[first:last] * lit, lit, _MOVED_WINDOW, _MOVED_MISFIT)[inner]] = Reason.MOVED


def _mean_exceeds(steps: NDArray[np.uint8], usable: NDArray[np.uint8], window: int, limit: float) -> NDArray[np.bool_]:
    """Where the mean over the usable pixels exceeds a limit in the squares around; `steps` is 0 where not usable.

    A pixel is a corner of four squares; three must exceed, so that a clean pixel beside a bad area is kept.
    """
    square = (window, window)
    total = cv2.boxFilter(steps, cv2.CV_32F, square, normalize=False, borderType=cv2.BORDER_CONSTANT)
    count = cv2.boxFilter(usable, cv2.CV_32F, square, normalize=False, borderType=cv2.BORDER_CONSTANT)
    cv2.scaleAdd(count, -limit / MISFIT_STEP, total, dst=total)
    half = window // 2
    exceeds = np.pad((total > 0).view(np.uint8), half)
    height, width = steps.shape
    corners = exceeds[:height, :width] + exceeds[2 * half :, :width]
    corners += exceeds[:height, 2 * half :]
    corners += exceeds[2 * half :, 2 * half :]
    return np.asarray(corners >= _CORNERS)


def _stands_alone(u_px: Array, v_px: Array, usual_px: float) -> NDArray[np.bool_]:
    """Pixels that agree with fewer than two of their four neighbours."""
    near_px = _NEIGHBOUR_STEPS * usual_px + _NEIGHBOUR_PX
    agreeing = np.zeros(u_px.shape, np.uint8)
    for one, other in (((slice(1, None), slice(None)), (slice(None, -1), slice(None))),
                       ((slice(None), slice(1, None)), (slice(None), slice(None, -1)))):  # fmt: skip
        # comparisons with NaN are false
        near = (cv2.absdiff(u_px[one], u_px[other]) < near_px) & (cv2.absdiff(v_px[one], v_px[other]) < near_px)
        count = near.view(np.uint8)
        agreeing[one] += count
        agreeing[other] += count
    return np.asarray(agreeing < 2)
