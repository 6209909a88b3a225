"""Pixels that somebody's shadow or reflection touched in a few photographs, decoded from the others.

A passer-by touches a connected patch of the picture, in one run of photographs after the other. What the untouched
pixels around the patch see tells about where its pixels must look; photographs that differ from the stripes there are
dropped, patch by patch so that noise drops none, and the rest is fitted (`wave_model`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.decoded import Reason
from rigwarp.decode.photographs.light_model import POSITIONS, Frames, columns
from rigwarp.decode.pixels.full_frame import MISFIT_STEP, Pictures
from rigwarp.decode.pixels.wave_model import WaveModel, rough_states, wave_model
from rigwarp.decode.signal.signal_model import SignalModel
from rigwarp.geometry import Array, BoolArray

_LEAST_PX, _MOST_PX = 150, 300_000  # camera pixels of a patch
_LEAST_BLOB_PX = 40  # that differ together in one photograph
_JOIN_PX = 5  # doubted pixels so near to each other are of one patch
_REACH_PX = 9  # around a patch: the rim of a shadow is soft
_MARGIN_PX = 40  # around that, where pixels tell what is to be expected
_RING = 1500  # of these pixels are asked
_DEGREE = 4
_SURROUNDED = 0.8  # of a patch's width and height, by good pixels
_MOST_OFF_PX = 1.0  # rms between good pixels and what is expected there
_NEAR = 0.3  # of the shortest period, from what was expected
_FAR, _ROUGH = 0.15, 5.0  # of the contrast at first, then in sigmas: a photograph that differs by more is dropped
_FEWEST_WAVES, _FEWEST_PERIODS = 4, 2  # left per axis; of these periods two steps or more
_MOST_RUNS = 2  # of photographs
_TRIED, _LIKELY = 300, 0.3  # pixels of a patch that are tried first, and how many of them must be a passer-by's
_MISFIT_SIGMAS = 4.5
_HALF = 0.5  # of a patch has to decode
_AT_ONCE = 20_000
_UNKNOWN = 7.0


@dataclass(frozen=True, kw_only=True)
class PassedBy:
    """What was decoded from fewer photographs.

    Attributes
    ----------
    where : (H, W) the pixels.
    gained : how many of them had no position before.
    span : first and last of the photographs left out.
    """

    where: BoolArray
    gained: int
    span: tuple[int, int]

    def in_words(self, labels: Sequence[str]) -> str:
        """What came of it; `labels` of the set's photographs."""
        first, last = self.span
        return (
            f"something passed by (a shadow, a reflection, a person) between photographs {labels[first]} and "
            f"{labels[last]}: {self.gained} pixels that it touched were decoded from the other photographs"
        )


def decode_from_the_rest(
    pictures: Pictures,
    photos: Sequence[NDArray[np.unsignedinteger]],
    frames: Frames,
    model: SignalModel,
    freedom: int,
) -> PassedBy | None:
    """Fill pixels in that were touched in a few photographs; None where there are none.

    Parameters
    ----------
    pictures : of all pixels, changed where a passer-by's are found.
    frames : all that the model of light explains.
    freedom : of chi2 in `pictures`.
    """
    reason = pictures.reason
    doubted = ((reason == Reason.INCONSISTENT) | (reason == Reason.PASSED_BY)).view(np.uint8)
    left, top, width, height = cv2.boundingRect(doubted)  # of a large photograph the rest is dark
    part = np.s_[max(0, top - _JOIN_PX) : top + height + _JOIN_PX, max(0, left - _JOIN_PX) : left + width + _JOIN_PX]
    joined = cv2.morphologyEx(doubted[part], cv2.MORPH_CLOSE, np.ones((_JOIN_PX, _JOIN_PX), np.uint8))
    count, labels, figures, _ = cv2.connectedComponentsWithStats(joined)
    where = np.zeros(reason.shape, bool)
    chain, gained, touched = wave_model(frames, model), 0, set[int]()
    for number in range(1, count):
        left, top, width, height, area = figures[number]
        if not _LEAST_PX <= area <= _MOST_PX:
            continue
        room = _REACH_PX + _MARGIN_PX
        own = labels[top : top + height, left : left + width] == number
        top, left = top + part[0].start, left + part[1].start
        box = (slice(max(0, top - room), top + height + room), slice(max(0, left - room), left + width + room))
        inside = np.zeros(reason[box].shape, bool)
        inside[top - box[0].start :, left - box[1].start :][:height, :width] = own
        found = _Patch(box, inside, pictures, photos, chain).decoded()
        if found is not None:
            gained += found.write(pictures, freedom)
            where[found.row[found.good], found.column[found.good]] = True
            touched |= {int(chain.frames.index[f]) for f in np.flatnonzero(found.dropped.any(axis=0))}
    return PassedBy(where=where, gained=gained, span=(min(touched), max(touched))) if gained else None


@dataclass(frozen=True, kw_only=True)
class _Decoded:
    """Pixels (N,) of a patch: row and column, states, variances, chi2 over its expectation, and what was dropped."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    position_px: Array
    variance_px: Array
    light: Array
    misfit: Array
    good: BoolArray
    dropped: BoolArray

    def write(self, pictures: Pictures, freedom: int) -> int:
        """Into the pictures; how many had no position before."""
        new = self.good & (pictures.reason[self.row, self.column] != Reason.OK)
        lost = ~self.good & self.dropped.any(axis=1)
        values = (*self.position_px.T, *np.sqrt(self.variance_px).T, self.light, self.misfit * freedom)
        into = (pictures.u_px, pictures.v_px, pictures.sigma_u_px, pictures.sigma_v_px, pictures.light, pictures.chi2)
        for picture, value in zip(into, values, strict=True):
            picture[self.row[self.good], self.column[self.good]] = value[self.good]
            picture[self.row[lost], self.column[lost]] = np.nan
        pictures.reason[self.row[self.good], self.column[self.good]] = Reason.OK
        coarse = np.minimum(self.misfit[self.good] * freedom / MISFIT_STEP, 255.0)
        pictures.misfit[self.row[self.good], self.column[self.good]] = coarse.astype(np.uint8)
        pictures.reason[self.row[lost], self.column[lost]] = Reason.PASSED_BY
        return int(np.count_nonzero(new))


class _Patch:
    """One patch of doubted pixels in its box."""

    def __init__(
        self,
        box: tuple[slice, slice],
        inside: BoolArray,
        pictures: Pictures,
        photos: Sequence[NDArray[np.unsignedinteger]],
        chain: WaveModel,
    ) -> None:
        side = 2 * _REACH_PX + 1
        self._origin = (box[0].start, box[1].start)
        reach = cv2.dilate(inside.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
        reason = pictures.reason[box]
        self._inside = reach & ~np.isin(reason, (Reason.TOO_DARK, Reason.SATURATED))
        self._around = ~reach & (reason == Reason.OK)
        self._core = inside
        self._seen = [picture[box] for picture in (pictures.u_px, pictures.v_px, pictures.light)]
        self._codes = [photos[index][box] for index in chain.frames.index]
        self._chain = chain

    def decoded(self) -> _Decoded | None:
        """Its pixels, or None where no passer-by explains most of them."""
        expected = self._expected()
        if expected is None:
            return None
        chain, brightness = self._learnt()
        row, column = np.nonzero(self._inside)
        tried = np.flatnonzero(self._core[row, column])
        tried = tried[:: max(1, len(tried) // _TRIED)]
        first = _differing(chain, self._light(row[tried], column[tried]), expected[row[tried], column[tried]])
        if np.mean(_in_runs(first) & first.any(axis=1)) < _LIKELY:
            return None
        light, at = self._light(row, column), expected[row, column]
        dropped = self._blobs(row, column, _in_parts(lambda part: _differing(chain, light[part], at[part]), len(row)))
        for last in (False, True):
            state, left, variance = _refitted(chain, light, at, dropped)
            noise = np.sqrt(chain.variance(state))
            if not last:
                dropped |= self._blobs(row, column, np.abs(left) > _ROUGH * noise)
        found = self._judged(row, column, state, left / noise, variance, dropped, at, brightness)
        core = self._core[row, column]
        return found if np.mean(found.good[core]) > _HALF else None

    def _expected(self) -> Array | None:
        """(H, W, 2) position, by a polynomial through the good pixels around; None where they do not tell."""
        row, column = np.nonzero(self._around)
        there = np.nonzero(self._core)
        if len(row) < _RING // 3:
            return None
        for good, wanted in zip((row, column), there, strict=True):
            covered = min(good.max(), wanted.max()) - max(good.min(), wanted.min())
            if covered < _SURROUNDED * np.ptp(wanted):
                return None
        some = np.linspace(0, len(row) - 1, min(len(row), 2 * _RING)).astype(int)
        row, column = row[some], column[some]
        shape = self._inside.shape
        x, y = (2.0 * np.arange(n) / max(1, n - 1) - 1.0 for n in shape[::-1])
        powers = [(i, j) for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)]
        basis = np.stack([x[column] ** i * y[row] ** j for i, j in powers], axis=-1)
        seen = np.stack([self._seen[k][row, column] for k in range(2)], axis=-1).astype(float)
        factors, *_ = np.linalg.lstsq(basis, seen)
        if np.sqrt(np.mean((seen - basis @ factors) ** 2, axis=0)).max() > _MOST_OFF_PX:
            return None
        found = np.zeros((*shape, 2))
        for (i, j), factor in zip(powers, factors, strict=True):
            found += np.multiply.outer(y**j, x**i)[..., None] * factor
        return found

    def _learnt(self) -> tuple[WaveModel, float]:
        """The chain as the good pixels around see it, and white minus black over the stripes' amplitude."""
        row, column = np.nonzero(self._around)
        some = np.linspace(0, len(row) - 1, min(len(row), _RING)).astype(int)
        row, column = row[some], column[some]
        light, chain = self._light(row, column), self._chain
        position = np.stack([self._seen[k][row, column] for k in range(2)], axis=-1).astype(float)
        state, left, _ = chain.fitted(light, rough_states(light, position), np.ones_like(light))
        stripes = light - left - state[:, :1]
        chain = replace(chain, strength=1.0 + np.sum(left * stripes, axis=0) / np.sum(stripes**2, axis=0))
        state, left, _ = chain.fitted(light, state, np.ones_like(light))
        freedom = light.shape[1] - _UNKNOWN
        excess = float(np.median(np.sum(left**2 / chain.variance(state), axis=1)) / (freedom - 2.0 / 3.0))
        brightness = float(np.median(self._seen[2][row, column] / (state[:, 3] + state[:, 6])))
        return replace(chain, excess=max(1.0, excess)), brightness

    def _light(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Array:
        table = self._chain.model.light_of_code
        return np.stack([table[codes[row, column]] for codes in self._codes], axis=-1)

    def _blobs(self, row: NDArray[np.intp], column: NDArray[np.intp], differs: BoolArray) -> BoolArray:
        """(N, F) of what differs, that which hangs together in one photograph, and what is next to it."""
        found = np.zeros_like(differs)
        for frame in np.flatnonzero(differs.sum(axis=0) >= _LEAST_BLOB_PX):
            picture = np.zeros(self._inside.shape, np.uint8)
            picture[row, column] = differs[:, frame]
            picture = np.asarray(cv2.morphologyEx(picture, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)), np.uint8)
            picture = np.asarray(cv2.morphologyEx(picture, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
            _, blobs, figures, _ = cv2.connectedComponentsWithStats(picture)
            large = figures[:, cv2.CC_STAT_AREA] >= _LEAST_BLOB_PX
            large[0] = False
            near = cv2.dilate(large[blobs].astype(np.uint8), np.ones((7, 7), np.uint8))
            found[:, frame] = near[row, column] > 0
        return found

    def _judged(
        self,
        row: NDArray[np.intp],
        column: NDArray[np.intp],
        state: Array,
        sigmas: Array,
        variance: Array,
        dropped: BoolArray,
        expected: Array,
        brightness: float,
    ) -> _Decoded:
        frames, kept = self._chain.frames, ~dropped
        freedom = np.maximum(kept.sum(axis=1) - _UNKNOWN, 1.0)
        misfit = np.sum(np.where(kept, sigmas, 0.0) ** 2, axis=1) / freedom
        off = np.abs(state[:, POSITIONS] - expected).max(axis=1)
        good = dropped.any(axis=1) & _in_runs(dropped) & _enough(kept, frames)
        good &= (misfit < 1.0 + _MISFIT_SIGMAS * np.sqrt(2.0 / freedom)) & (off < _NEAR * frames.period_px.min())
        return _Decoded(
            row=row + self._origin[0],
            column=column + self._origin[1],
            position_px=state[:, POSITIONS],
            variance_px=variance,
            light=brightness * (state[:, 3] + state[:, 6]),
            misfit=misfit,
            good=good,
            dropped=dropped,
        )


def _differing(chain: WaveModel, light: Array, expected: Array) -> BoolArray:
    """(N, F) photographs that differ much from stripes at the expected positions, whatever mean and amplitudes."""
    state = rough_states(light, expected)
    basis = columns(chain.frames, np.zeros(light.shape[1]), state)[..., [0, 3, 6]]
    weight = np.ones_like(light)
    left, contrast = light, 2.0 * state[:, 3]
    for _ in range(6):
        normal = np.einsum("nfi,nf,nfk->nik", basis, weight, basis, optimize=True) + 1e-12 * np.eye(3)
        right = np.einsum("nfi,nf->ni", basis, weight * light)
        factors = np.linalg.solve(normal, right[..., None])[..., 0]
        left = light - np.einsum("nfi,ni->nf", basis, factors)
        contrast = np.maximum(np.abs(factors[:, 1]) + np.abs(factors[:, 2]), 1e-9)
        weight = 1.0 / (1.0 + (left / (0.5 * _FAR * contrast[:, None])) ** 2)
    return np.asarray(np.abs(left) > _FAR * contrast[:, None])


def _refitted(chain: WaveModel, light: Array, expected: Array, dropped: BoolArray) -> tuple[Array, Array, Array]:
    parts = []
    for first in range(0, len(light), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        used = np.where(dropped[some], 0.0, 1.0)
        mean = np.sum(used * light[some], axis=1, keepdims=True) / np.maximum(used.sum(axis=1, keepdims=True), 1.0)
        kept = np.where(dropped[some], mean, light[some])
        parts.append(chain.fitted(light[some], rough_states(kept, expected[some]), used))
    states, left, variance = (np.concatenate(values) for values in zip(*parts, strict=True))
    return states, left, variance


def _in_parts(work: Callable[[slice], BoolArray], count: int) -> BoolArray:
    return np.concatenate([work(slice(first, first + _AT_ONCE)) for first in range(0, count, _AT_ONCE)])


def _in_runs(dropped: BoolArray) -> BoolArray:
    """(N,) where what is dropped are one or two runs of photographs one after the other."""
    begins = np.diff(np.pad(dropped, ((0, 0), (1, 0))).astype(np.int8), axis=1) == 1
    return np.asarray(begins.sum(axis=1) <= _MOST_RUNS)


def _enough(kept: BoolArray, frames: Frames) -> BoolArray:
    """(N,) where enough photographs of stripes along both axes are left."""
    good = np.ones(len(kept), bool)
    for axis in (0, 1):
        mine = frames.axis == axis
        good &= kept[:, mine].sum(axis=1) >= _FEWEST_WAVES
        each = [kept[:, mine & (frames.period_px == p)].sum(axis=1) for p in np.unique(frames.period_px[mine])]
        # where a Gray code goes with two sinusoids, one and what is expected will do
        good &= np.sum([one >= 2 for one in each], axis=0) >= min(_FEWEST_PERIODS, len(each) - 1)
    return good
