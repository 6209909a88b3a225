"""The quick way through a block of camera rows: the formulas of `chain.solve_plainly` as passes over arrays that stay
in the processor's cache.

Everything here is float32 and reuses its memory. Positions agree with the plain formulas to 1e-3 px: OpenCV's angles
are good to 1.7e-4 rad, which is 7e-4 px at a period of 25 px for one of four sinusoids. Angles are kept negative and
in degrees (minus the phase), since that saves a pass: 360 degrees are one period. What is at full scale becomes NaN in
the look-up from codes to light and stays so, which saves looking at every photograph for it.
"""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import BYTE_TURN, CELLS, position_table
from rigwarp.decode.signal.signal_model import AMPLITUDE_TOLERANCE, AxisSignal, SignalModel

Single = NDArray[np.float32]
_DEGREES = 360.0
_ERROR_CELLS = 4096  # of the harmonic error's table, per period


class Scratch:
    """Named arrays of the current block's shape, kept from block to block."""

    def __init__(self, pixels: int) -> None:
        self._pixels = pixels
        self._store: dict[str, NDArray[Any]] = {}
        self._views: dict[str, NDArray[Any]] = {}
        self._shape = (0, 0)

    def reshape(self, rows: int, columns: int) -> None:
        """Set the block's shape; contents become arbitrary."""
        if (rows, columns) != self._shape:
            self._shape = (rows, columns)
            self._views = {}

    def array(self, name: str, dtype: Any = np.float32) -> NDArray[Any]:
        """The array of this name."""
        view = self._views.get(name)
        if view is None:
            if name not in self._store:
                self._store[name] = np.zeros(self._pixels, dtype)
            rows, columns = self._shape
            view = self._store[name][: rows * columns].reshape(rows, columns)
            self._views[name] = view
        return view


def look_up(codes: NDArray[np.unsignedinteger], table: Single, out: NDArray[Any]) -> None:
    """out = table[codes], for a flat table."""
    if codes.dtype == np.uint8:
        cv2.LUT(codes, table, dst=out)
    else:
        np.take(table, codes, out=out, mode="clip")


def compare(values: NDArray[Any], limit: Any, how: int, out: NDArray[Any]) -> None:
    """out = 255 where the comparison (cv2.CMP_...) holds, else 0; with NaN it does not."""
    cv2.compare(values, limit, how, dst=out)


class AxisSolver:
    """Positions of one axis, block by block."""

    def __init__(self, layout: AxisLayout, learnt: AxisSignal, chain: SignalModel) -> None:
        self._layout = layout
        self._steps = layout.steps
        self._rates = 1.0 / np.asarray(layout.periods_px)
        self._light = np.asarray(chain.light_of_code * (2.0 / layout.steps), np.float32)
        # what has saturated is no number, and neither is anything made of it
        self._light[-1] = np.nan
        # rows for amplitudes over periods, which is how they are kept here
        self._rows = learnt.residual_rows * np.asarray(layout.periods_px)
        self._scale = learnt.variance_scale
        self._corrections = _correction_tables(learnt)
        self._index_tables: list[NDArray[np.int32]] = []
        if not layout.bits:
            cell = np.arange(BYTE_TURN, dtype=np.int32) // (BYTE_TURN // CELLS)
            self._index_tables = [cell * CELLS**2, cell * CELLS, cell]
            self._table = position_table(layout.periods_px, layout.extent_px).ravel()

    def solve(self, codes: list[NDArray[np.unsignedinteger]], work: Scratch, tag: str) -> None:
        """Fill the scratch arrays `position`, `sigma`, `chi2`, `amplitude` (its chi2) and `weight`, each with `tag`.

        `weight` is NaN where any of the photographs is at full scale. The scratch array `variance` holds that of one
        light value, `certainty` one over it.

        Parameters
        ----------
        codes : the block in each photograph.
        """
        count = len(self._rates)
        angles = [work.array(f"angle{k}") for k in range(count)]
        amplitudes = [work.array(f"amplitude{k}") for k in range(count)]
        cosine, sine = work.array("cosine"), work.array("sine")
        for k, frames in enumerate(self._layout.frames):
            self._wave([codes[i] for i in frames], float(self._rates[k]), work)
            cv2.cartToPolar(cosine, sine, magnitude=amplitudes[k], angle=angles[k], angleInDegrees=True)
            if self._corrections is not None:
                self._correct(angles[k], amplitudes[k], self._corrections[k], work)
        rough = work.array("rough")
        if self._layout.bits:
            self._cells(codes, rough, work)
        else:
            self._look_up_position(angles, rough, work)
        self._combine(angles, amplitudes, rough, work, tag)
        self._judge_amplitudes(amplitudes, work, tag)

    def _wave(self, codes: list[NDArray[np.unsignedinteger]], rate: float, work: Scratch) -> None:
        """cosine = 2/N sum l_n cos(2 pi n / N), sine = minus the sum with the sine, both times `rate`."""
        cosine, sine, first, second, part = (work.array(n) for n in ("cosine", "sine", "first", "second", "part"))
        steps = self._steps
        if steps % 2 == 0:
            look_up(codes[0], self._light, first)
            look_up(codes[steps // 2], self._light, second)
            cv2.addWeighted(first, rate, second, -rate, 0.0, dst=cosine)
        else:
            look_up(codes[0], self._light, part)
            np.multiply(part, np.float32(rate), out=cosine)
        for n in range(1, (steps + 1) // 2):
            angle = 2 * np.pi * n / steps
            look_up(codes[n], self._light, first)
            look_up(codes[steps - n], self._light, second)
            if abs(np.cos(angle)) > 1e-9:
                cv2.add(first, second, dst=part)
                cv2.scaleAdd(part, rate * np.cos(angle), cosine, dst=cosine)
            cv2.subtract(second, first, dst=first)
            if n == 1:
                np.multiply(first, np.float32(rate * np.sin(angle)), out=sine)
            else:
                cv2.scaleAdd(first, rate * np.sin(angle), sine, dst=sine)

    def _correct(self, angle: Single, amplitude: Single, tables: tuple[Single, Single], work: Scratch) -> None:
        """Take the harmonic error out of (minus) phases in degrees and out of amplitudes."""
        part, index = work.array("part"), work.array("index", np.intp)
        np.multiply(angle, np.float32(_ERROR_CELLS / _DEGREES), out=part)
        np.copyto(index, part, casting="unsafe")
        np.take(tables[0], index, out=part, mode="clip")
        cv2.add(angle, part, dst=angle)
        np.take(tables[1], index, out=part, mode="clip")
        cv2.multiply(amplitude, part, dst=amplitude)

    def _look_up_position(self, angles: list[Single], rough: Single, work: Scratch) -> None:
        """rough = position table at the phases' differences to the first one."""
        reference, byte, difference = (work.array(n, np.uint8) for n in ("reference", "byte", "difference"))
        total, part = work.array("total", np.int32), work.array("cell", np.int32)
        index = work.array("index", np.intp)
        per_degree = BYTE_TURN / _DEGREES
        cv2.convertScaleAbs(angles[0], dst=reference, alpha=per_degree)
        for k, table in enumerate(self._index_tables, start=1):
            cv2.convertScaleAbs(angles[k], dst=byte, alpha=per_degree)
            np.subtract(reference, byte, out=difference)
            cv2.LUT(difference, table, dst=total if k == 1 else part)
            if k > 1:
                cv2.add(total, part, dst=total)
        np.copyto(index, total)
        np.take(self._table, index, out=rough, mode="clip")

    def _cells(self, codes: list[NDArray[np.unsignedinteger]], rough: Single, work: Scratch) -> None:
        """rough = middle of the Gray code's cell."""
        bit, binary, part = work.array("byte", np.uint8), work.array("reference", np.uint8), work.array("part")
        binary[:] = 0
        rough[:] = np.float32(0.5 * self._layout.cell_px - 0.5)
        for number, (plain, inverted) in enumerate(self._layout.bits):
            compare(codes[plain], codes[inverted], cv2.CMP_GT, bit)
            np.bitwise_xor(binary, bit, out=binary)
            weight = self._layout.cell_px * 2.0 ** (len(self._layout.bits) - 1 - number) / 255.0
            np.multiply(binary, np.float32(weight), out=part)
            cv2.add(rough, part, dst=rough)

    def _combine(self, angles: list[Single], amplitudes: list[Single], rough: Single, work: Scratch, tag: str) -> None:
        """Weighted mean of the periods' positions, with (B_k / P_k)^2 / variance as weights, and its misfit.

        With d_k the distance (px) of the position of phase k from the rough one, and A = B / P: W = sum A^2,
        M = sum A (A d), Q = sum (A d)^2; position = rough + M / W, misfit = Q - M^2 / W. `angles` is used up.
        """
        # arrays that `_wave` no longer needs: the fewer there are, the more of them stay in the cache
        weight, first, second, part = work.array(f"weight{tag}"), *(work.array(n) for n in ("first", "second", "part"))
        for k, (distance, amplitude) in enumerate(zip(angles, amplitudes, strict=True)):
            # minus the distance, in turns; then times the period and the amplitude
            cv2.addWeighted(rough, self._rates[k], distance, 1.0 / _DEGREES, 0.0, dst=distance)
            np.rint(distance, out=part)
            cv2.subtract(distance, part, dst=distance)
            cv2.multiply(distance, amplitude, dst=part, scale=1.0 / self._rates[k])
            if k == 0:
                cv2.multiply(amplitude, amplitude, dst=weight)
                cv2.multiply(amplitude, part, dst=first)
                cv2.multiply(part, part, dst=second)
            else:
                cv2.accumulateSquare(amplitude, weight)
                cv2.accumulateProduct(amplitude, part, first)
                cv2.accumulateSquare(part, second)
        position, sigma, chi2 = (work.array(f"{n}{tag}") for n in ("position", "sigma", "chi2"))
        np.divide(first, weight, out=part)
        cv2.subtract(rough, part, dst=position)
        cv2.multiply(first, part, dst=first)
        cv2.subtract(second, first, dst=second)
        per_variance = 2 * np.pi**2 * self._steps / self._scale
        cv2.multiply(second, work.array("certainty"), dst=chi2, scale=per_variance)
        cv2.divide(work.array("variance"), weight, dst=sigma, scale=1.0 / per_variance)
        np.sqrt(sigma, out=sigma)

    def _judge_amplitudes(self, amplitudes: list[Single], work: Scratch, tag: str) -> None:
        """amplitude = squared length of what blur does not explain, over its variance; `_combine` left the weight."""
        chi2, part, square = work.array(f"amplitude{tag}"), work.array("part"), work.array("second")
        chi2[:] = 0.0
        for row in self._rows:
            cv2.addWeighted(amplitudes[0], row[0], amplitudes[1], row[1], 0.0, dst=part)
            for factor, amplitude in zip(row[2:], amplitudes[2:], strict=True):
                cv2.scaleAdd(amplitude, factor, part, dst=part)
            cv2.accumulateSquare(part, chi2)
        if len(self._rows):
            usual = AMPLITUDE_TOLERANCE**2 / float(np.sum(self._rates**2))
            expected = 2.0 / self._steps * self._scale
            cv2.addWeighted(work.array("variance"), expected, work.array(f"weight{tag}"), usual, 0.0, dst=square)
            np.divide(chi2, square, out=chi2)


def _correction_tables(learnt: AxisSignal) -> list[tuple[Single, Single]] | None:
    """Per period, over minus the phase: degrees to add to minus the phase, and the amplitude's factor.

    None where there is nothing to take out.
    """
    coefficients = learnt.error.coefficients_turns
    if not coefficients.any():
        return None
    turns = -(np.arange(_ERROR_CELLS + 1) + 0.5) / _ERROR_CELLS
    every = np.broadcast_to(turns, (len(coefficients), len(turns)))
    shift = (every - learnt.error.correct(every) + 0.5) % 1.0 - 0.5
    factor = learnt.error.fade(every)
    return [
        (np.asarray(_DEGREES * one, np.float32), np.asarray(two, np.float32))
        for one, two in zip(shift, factor, strict=True)
    ]
