"""All pixels of a scan: block by block on the machine's cores, each pixel with its verdict."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from queue import SimpleQueue

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.pixels.fast_solver import AxisSolver, Scratch, Single, compare, look_up
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.signal_model import SHOWN_ROUNDING, SignalModel
from rigwarp.geometry.robust import chi_squared_limit

THREADS = min(4, max(2, cv2.getNumberOfCPUs()))
BLOCK = 72_000 // THREADS
"""Pixels solved at a time: many enough that calls cost little, few enough that their arrays stay near the processor and
do not add up to more than 10 MB."""
MOVED_STEP = 2
"""Camera rows from one that is looked at for movement to the next."""
MISFIT_STEP = 0.5
"""Chi-square per step of the coarse misfit picture."""
_MAX_SIGMA_PX = 1.0  # a worse position is of no use to anybody
_RIM_PX = 0.5  # the outermost pixel's own half width
_MIN_CONTRAST_SIGMAS = 6.0  # white minus black, in standard deviations of that difference
_GOOD_LOST = 1e-5  # share of good pixels whose misfit is above the limit
Block = tuple[slice, slice]


@dataclass(frozen=True, kw_only=True)
class Pictures:
    """What the pass fills; (H, W).

    Attributes
    ----------
    u_px, v_px, sigma_u_px, sigma_v_px, light, chi2 : NaN where `reason` is not OK.
    reason : as given for what is dark or saturated, verdicts elsewhere.
    misfit : chi2 in steps of MISFIT_STEP, 255 and more is 255; 0 where dark, saturated or outside.
    moved : (H / MOVED_STEP, W) chi2 of one degree of freedom between the frames shown twice, in the same steps, in
        every MOVED_STEP-th row; None without such frames.
    """

    u_px: Single
    v_px: Single
    sigma_u_px: Single
    sigma_v_px: Single
    light: Single
    chi2: Single
    reason: NDArray[np.uint8]
    misfit: NDArray[np.uint8]
    moved: NDArray[np.uint8] | None


def no_answers(shape: tuple[int, ...]) -> list[Single]:
    """The values of `Pictures`, (H, W), none of them known."""
    return [np.full(shape, np.nan, np.float32) for _ in range(6)]


def new_pictures(reason: NDArray[np.uint8], values: Sequence[Single], *, repeats: bool) -> Pictures:
    """Pictures without answers, to be filled by FullFrame.run; `values` by `no_answers`."""
    shape = reason.shape
    u, v, sigma_u, sigma_v, light, chi2 = values
    return Pictures(
        u_px=u,
        v_px=v,
        sigma_u_px=sigma_u,
        sigma_v_px=sigma_v,
        light=light,
        chi2=chi2,
        reason=reason,
        misfit=np.zeros(shape, np.uint8),
        moved=np.zeros((-(-shape[0] // MOVED_STEP), shape[1]), np.uint8) if repeats else None,
    )


def shown_frames(layouts: tuple[AxisLayout, AxisLayout]) -> list[int]:
    """Indices of all waves and bars."""
    waves = [index for axis in layouts for frames in axis.frames for index in frames]
    return waves + [index for axis in layouts for pair in axis.bits for index in pair]


class FullFrame:
    """Solves every block that has usable pixels.

    Parameters
    ----------
    photos : of all frames.
    layouts : of both axes.
    chain : what was learnt.
    ends : frame indices of black and white.
    repeats : (first, again, gain) of the frames shown twice; the second times gain should equal the first.
    excess : (H, W) by how much the variance of light exceeds the chain's, if that is known by place.
    """

    def __init__(
        self,
        photos: Sequence[NDArray[np.unsignedinteger]],
        layouts: tuple[AxisLayout, AxisLayout],
        chain: SignalModel,
        ends: tuple[int, int],
        repeats: Sequence[tuple[int, int, float]],
        excess: Single | None = None,
    ) -> None:
        self._excess = excess
        self._photos = photos
        self._layouts = layouts
        self._chain = chain
        self._ends = ends
        self._repeats = repeats
        self._light = np.asarray(chain.light_of_code, np.float32)
        self._solvers = [AxisSolver(*parts, chain) for parts in zip(layouts, chain.axes, strict=True)]
        self._full_scale = int(np.iinfo(photos[0].dtype).max)
        self._bars = [index for axis in layouts for pair in axis.bits for index in pair]
        self._no_answer = np.full(256, np.nan, np.float32)
        self._no_answer[Reason.OK] = 0.0
        phase = sum(len(axis.periods_px) - 1 for axis in layouts)
        self.freedom = phase + sum(len(learnt.residual_rows) for learnt in chain.axes)

    def run(self, pictures: Pictures, pool: Executor) -> None:
        """Fill the pictures, THREADS blocks at a time."""
        # lone pixels of noise all over a large photograph: without them blocks hold what the projector lights
        self._each_block(self._leave_out_dark, pictures, pool)
        self._each_block(self._solve, pictures, pool)

    def _each_block(self, task: Callable[[Block, Scratch, Pictures], None], pictures: Pictures, pool: Executor) -> None:
        blocks = _blocks(pictures.reason == Reason.OK)
        idle: SimpleQueue[Scratch] = SimpleQueue()
        for _ in range(THREADS):
            idle.put(Scratch(max(((r.stop - r.start) * (c.stop - c.start) for r, c in blocks), default=0)))

        def work(block: Block) -> None:
            scratch = idle.get()
            # a pixel without modulation or light divides zero by zero: it gets no position
            try:
                with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                    task(block, scratch, pictures)
            finally:
                idle.put(scratch)

        list(pool.map(work, blocks))

    def _leave_out_dark(self, block: Block, work: Scratch, pictures: Pictures) -> None:
        """TOO_DARK where white and black do not differ beyond doubt."""
        reason = pictures.reason[block]
        work.reshape(*reason.shape)
        self._light_and_noise(block, work)
        square, limit, lost = work.array("part"), work.array("first"), work.array("lost", np.uint8)
        # the difference of two values has twice the variance of one
        cv2.scaleAdd(work.array("variance"), -2.0 * _MIN_CONTRAST_SIGMAS**2, square, dst=limit)
        compare(limit, 0.0, cv2.CMP_LT, lost)
        np.copyto(reason, np.uint8(Reason.TOO_DARK), where=lost.view(bool) & (reason == Reason.OK))

    def _solve(self, block: Block, work: Scratch, pictures: Pictures) -> None:
        codes = [photo[block] for photo in self._photos]
        work.reshape(*codes[0].shape)
        self._light_and_noise(block, work)
        cv2.scaleAdd(work.array("part"), SHOWN_ROUNDING**2, work.array("variance"), dst=work.array("variance"))
        if self._excess is not None:
            np.multiply(work.array("variance"), self._excess[block], out=work.array("variance"))
        np.divide(np.float32(1.0), work.array("variance"), out=work.array("certainty"))
        for solver, tag in zip(self._solvers, "xy", strict=True):
            solver.solve(codes, work, tag)
        total = work.array("chi2")
        cv2.add(work.array("chi2x"), work.array("chi2y"), dst=total)
        cv2.add(total, work.array("amplitudex"), dst=total)
        cv2.add(total, work.array("amplitudey"), dst=total)
        self._mark_saturated(codes, work, pictures.reason[block])
        self._verdict(work, pictures.reason[block], pictures.misfit[block])
        if pictures.moved is not None:
            rows = slice(block[0].start // MOVED_STEP, -(-block[0].stop // MOVED_STEP))
            self._compare_repeats(codes, work, pictures.moved[rows, block[1]])
        self._store(work, pictures, block)

    def _light_and_noise(self, block: Block, work: Scratch) -> None:
        """light = white - black, part = its square, variance of a value halfway between."""
        light, variance, black, part = (work.array(name) for name in ("light", "variance", "first", "part"))
        look_up(self._photos[self._ends[0]][block], self._light, black)
        look_up(self._photos[self._ends[1]][block], self._light, light)
        cv2.add(black, light, dst=variance)
        np.multiply(variance, np.float32(0.5 * self._chain.per_light), out=variance)
        np.add(variance, np.float32(self._chain.floor), out=variance)
        cv2.subtract(light, black, dst=light)
        cv2.multiply(light, light, dst=part)

    def _mark_saturated(
        self, codes: list[NDArray[np.unsignedinteger]], work: Scratch, reason: NDArray[np.uint8]
    ) -> None:
        """SATURATED where any photograph of a wave or bar is at full scale, unless it is too dark."""
        mask, lit = work.array("byte", np.uint8), work.array("difference", np.uint8)
        total = work.array("part")
        cv2.add(work.array("weightx"), work.array("weighty"), dst=total)
        compare(total, 0.0, cv2.CMP_GE, mask)  # not where it is NaN
        np.bitwise_not(mask, out=mask)
        for index in self._bars:
            compare(codes[index], float(self._full_scale), cv2.CMP_EQ, lit)
            np.bitwise_or(mask, lit, out=mask)
        np.bitwise_and(mask, np.uint8(Reason.SATURATED), out=mask)
        compare(reason, 0, cv2.CMP_EQ, lit)
        np.bitwise_and(mask, lit, out=mask)
        np.maximum(reason, mask, out=reason)

    def _verdict(self, work: Scratch, reason: NDArray[np.uint8], misfit: NDArray[np.uint8]) -> None:
        """Reason per pixel; comparisons with NaN are false, so that what has no position fails."""
        mask, good, inside = (work.array(n, np.uint8) for n in ("byte", "difference", "inside"))
        freedoms = [len(axis.periods_px) - 1 for axis in self._layouts]
        good[:] = 255
        inside[:] = 255
        limits = [(f"chi2{t}", chi_squared_limit(f, _GOOD_LOST)) for t, f in zip("xy", freedoms, strict=True) if f]
        if self.freedom:
            limits.append(("chi2", chi_squared_limit(self.freedom, _GOOD_LOST)))
        for name, limit in limits:
            compare(work.array(name), limit, cv2.CMP_LT, mask)
            np.bitwise_and(good, mask, out=good)
        for tag, layout in zip("xy", self._layouts, strict=True):
            cv2.inRange(work.array(f"position{tag}"), -_RIM_PX, layout.extent_px - 1 + _RIM_PX, dst=mask)
            np.bitwise_and(inside, mask, out=inside)
            # white and black differ, but stripes do not show: light from many places at once
            compare(work.array(f"sigma{tag}"), _MAX_SIGMA_PX, cv2.CMP_LT, mask)
            np.bitwise_and(good, mask, out=good)
        found, usable = work.array("found", np.uint8), work.array("reference", np.uint8)
        # inconsistent before outside before OK
        compare(inside, 0, cv2.CMP_EQ, found)
        np.bitwise_and(found, np.uint8(Reason.OUTSIDE), out=found)
        _choose(good, found, Reason.INCONSISTENT, mask)
        compare(reason, 0, cv2.CMP_EQ, usable)  # what was dark or saturated from the start stays so
        np.bitwise_and(found, usable, out=found)
        np.maximum(reason, found, out=reason)
        self._coarse_misfit(work, reason, misfit)

    def _coarse_misfit(self, work: Scratch, reason: NDArray[np.uint8], misfit: NDArray[np.uint8]) -> None:
        coarse, mask = work.array("difference", np.uint8), work.array("byte", np.uint8)
        cv2.convertScaleAbs(work.array("chi2"), dst=coarse, alpha=1.0 / MISFIT_STEP)
        compare(reason, int(Reason.OK), cv2.CMP_EQ, mask)
        np.bitwise_and(coarse, mask, out=coarse)
        compare(reason, int(Reason.INCONSISTENT), cv2.CMP_EQ, mask)
        np.bitwise_or(coarse, mask, out=misfit)

    def _compare_repeats(
        self, codes: list[NDArray[np.unsignedinteger]], work: Scratch, moved: NDArray[np.uint8]
    ) -> None:
        """In every second row: movement is judged by larger cells."""
        count = len(moved)
        first, again, total = (work.array(name)[:count] for name in ("first", "second", "sine"))
        total[:] = 0.0
        for before, after, gain in self._repeats:
            look_up(codes[before][::MOVED_STEP], self._light, first)
            look_up(codes[after][::MOVED_STEP], self._light, again)
            cv2.scaleAdd(again, -gain, first, dst=first)
            cv2.multiply(first, first, dst=first)
            cv2.add(total, first, dst=total)
        np.divide(total, work.array("variance")[::MOVED_STEP], out=total)
        per_step = 1.0 / (2.0 * len(self._repeats) * MISFIT_STEP)
        coarse = work.array("byte", np.uint8)[:count]
        cv2.convertScaleAbs(total, dst=coarse, alpha=per_step)
        moved[:] = coarse

    def _store(self, work: Scratch, pictures: Pictures, block: Block) -> None:
        """Into the pictures, NaN where there is no answer."""
        gap = work.array("part")
        reason = work.array("found", np.uint8)
        np.copyto(reason, pictures.reason[block])
        cv2.LUT(reason, self._no_answer, dst=gap)
        np.add(work.array("positionx"), gap, out=pictures.u_px[block])
        np.add(work.array("positiony"), gap, out=pictures.v_px[block])
        np.add(work.array("sigmax"), gap, out=pictures.sigma_u_px[block])
        np.add(work.array("sigmay"), gap, out=pictures.sigma_v_px[block])
        np.add(work.array("light"), gap, out=pictures.light[block])
        np.add(work.array("chi2"), gap, out=pictures.chi2[block])


def _choose(keep: NDArray[np.uint8], found: NDArray[np.uint8], other: int, spare: NDArray[np.uint8]) -> None:
    """found = found where keep (255), else other."""
    np.bitwise_and(found, keep, out=found)
    np.bitwise_not(keep, out=spare)
    np.bitwise_and(spare, np.uint8(other), out=spare)
    np.bitwise_or(found, spare, out=found)


def _blocks(usable: NDArray[np.bool_]) -> list[Block]:
    """What holds usable pixels, at most BLOCK of them (but always two whole rows) at a time."""
    height, width = usable.shape
    rows = MOVED_STEP * max(1, BLOCK // width // MOVED_STEP)
    found = []
    for top in range(0, height, rows):
        columns = np.flatnonzero(usable[top : top + rows].any(axis=0))
        if columns.size:
            ends = slice(int(columns[0]), int(columns[-1]) + 1)
            found.append((slice(top, min(top + rows, height)), ends))
    return found
