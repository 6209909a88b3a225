"""Light of the room that changed while the grey levels were photographed: no stripes tell by how much."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.light_levels import usual_response
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN, huber_weights

_SUDDEN = 0.025  # of the contrast: a step as large bends the response by more than it is known
_BLOCK = 8  # pixels along each side
_BAND = 16 * _BLOCK  # rows worked on together
_LEAST_SPREAD = 0.05  # of the contrast between places
_LIT = 0.3  # of the usual contrast, or of the usual light of black
_FEWEST_PLACES = 200
_FEWEST_LEVELS = 5  # with one or two between black and white any response of a camera looks like added light
_PASSES = 4
_POWERS = (0.6, 1.0, 1.6, 2.4, 4.0)
_BENDS = (-0.9, -0.6, -0.3, 0.0, 0.3, 0.6, 0.9)  # below 1 in size, so that brighter light is brighter in the picture
_SHOULDERS = (1.5, 3.0, 5.0)  # light at full scale over what the curve would reach there if it went on straight
_BETTER = 0.5  # of the sum of squares that light switched on once leaves
_ON_AND_OFF = 0.03  # of the sum of squares is left at most where light was switched on and off again
_OUT_OF_ORDER = 0.03  # of white, by which a grey is no longer between its neighbours
_MOST_PLACES, _UNEVEN = 0.9, 0.4  # of added light, by which these differ from a grey: evenly added, it leaves a tenth


@dataclass(frozen=True, kw_only=True)
class LevelChange:
    """Light that was added between two uniform frames: row of the first one that has it, share of usual contrast.

    `bent` : whether a camera that bends brightness explains it better. `roundable` : how much compression could make of
    it, which rounds places alike.
    `stranger` : whether only that frame differs, and shows another picture than its grey.
    """

    row: int
    added: float
    roundable: float
    bent: bool = False
    stranger: bool = False

    def in_words(self, labels: Sequence[str]) -> str:
        """What changed, and when; `labels` of the photographs."""
        if self.stranger:
            return (
                f"photograph {labels[self.row]} does not show the grey of its number as the other grey photographs do: "
                "it shows another picture (was it exchanged, or is it another zone's?), or light or a shadow fell on a "
                "part of it"
            )
        if self.bent:
            return (
                "the photographs' brightness does not follow the light as any usual camera's does (by up to "
                f"{100 * abs(self.added):.0f} % of white between photographs {labels[self.row - 1]} and "
                f"{labels[self.row]}): a picture style, contrast, HDR or another tone curve bends it"
            )
        return (
            f"the room's light changed between photographs {labels[self.row - 1]} and {labels[self.row]} by "
            f"{100 * abs(self.added):.0f} % of projected white (sunshine, a lamp)"
        )


def find_change_of_levels(photos: Sequence[NDArray[np.unsignedinteger]]) -> LevelChange | None:
    """The largest change of light from one uniform frame to the next.

    Light of frame k over that of the first one is a share of the contrast at every place, however bright the place:
    what dim places have beyond it was added. None where that hardly changes from frame to frame, or too few frames
    tell it from the camera's response.

    Parameters
    ----------
    photos : (H, W) of the uniform frames in the order they were taken, black first and white last.
    """
    if len(photos) < _FEWEST_LEVELS:
        return None
    full_scale = int(np.iinfo(photos[0].dtype).max)
    table = usual_response(full_scale)
    light = np.stack([_means(photo, table) for photo in photos])
    burnt = np.max([_means(photo, np.arange(len(table)) == len(table) - 1) for photo in photos], axis=0)
    clear = burnt == 0.0
    light = light[:, clear]
    if light.shape[1] < _FEWEST_PLACES:
        return None
    black, contrast = light[0], light[-1] - light[0]
    lit = contrast > _LIT * np.quantile(contrast, 0.95)
    # where only the room's light is, the table still shows what is added to it
    seen = lit | (black > _LIT * np.median(black[lit]))
    usual = float(np.median(contrast[lit]))
    if np.ptp(np.quantile(contrast[seen], [0.05, 0.95])) < _LEAST_SPREAD * usual:
        return None  # where all places are equally bright, light added and more of the projector's look alike
    share, added, unsure = _lines(light[:, seen], light[:, seen], lit[seen])
    steps = np.diff(added)
    largest = int(np.argmax(np.abs(steps)))
    step = float(steps[largest])
    if abs(step) <= _SUDDEN:
        return None
    roundable = float(np.hypot(*unsure[largest : largest + 2]))
    stranger = _stranger(light[:, seen], lit[seen])
    if stranger is not None:
        return LevelChange(row=stranger, added=step, roundable=roundable, stranger=True)
    codes = np.stack([_means(photo, np.arange(len(table)) / full_scale) for photo in photos])[:, clear][:, seen]
    curved = (curve(codes) for curve in _tone_curves())
    bent = min(float(np.sum(_lines(one, one, lit[seen])[1] ** 2)) for one in curved)
    once, again = (min(_left_by_light(share, added, ends)) for ends in ((len(added),), range(1, len(added))))
    switched = again < min(bent, _ON_AND_OFF * float(np.sum(added**2)))
    bent_more = bent < _BETTER * once and not switched
    return LevelChange(row=largest + 1, added=step, roundable=roundable, bent=bent_more)


def _lines(rows: Array, light: Array, lit: BoolArray) -> tuple[Array, Array, Array]:
    """(K,) share of the contrast, and light beside it in usual contrasts, of each of (K, N) rows; light (L, N) of
    uniform frames, black first and white last.

    And how much of that light errors as large as the places' scatter could make if they lay together as badly as can
    be: where light is even, JPEG at a quality of 60 rounds hundreds of blocks alike.
    """
    basis, usual = _basis(light, lit)
    lines = [_robust_line(basis, row - light[0]) for row in rows]
    share, added = np.array([found for found, _ in lines]).T / usual
    at_worst = float(np.abs(np.linalg.pinv(basis)[1]).sum()) / usual
    return share, added, np.array([scatter for _, scatter in lines]) * at_worst


def _basis(light: Array, lit: BoolArray) -> tuple[Array, float]:
    """(N, 2) contrast in usual ones, and evenly added light; and the usual contrast."""
    contrast = light[-1] - light[0]
    usual = max(float(np.median(contrast[lit])), 1e-9)
    return np.column_stack([contrast / usual, np.ones(len(contrast))]), usual


def _stranger(light: Array, lit: BoolArray) -> int | None:
    """Row of the one of (L, N) uniform frames that is no grey between its neighbours, where all others are in one
    light; None where no single one is."""
    for row in range(len(light)):
        rest = np.delete(light, row, axis=0)
        shares, added, _ = _lines(rest, rest, lit)
        if np.abs(np.diff(added)).max() > _SUDDEN:
            continue
        share, more, _ = (float(one[0]) for one in _lines(light[row : row + 1], rest, lit))
        basis, usual = _basis(rest, lit)
        off = light[row] - rest[0] - usual * (basis @ [share, more])
        uneven = np.quantile(np.abs(off), _MOST_PLACES) > _UNEVEN * max(abs(more), _SUDDEN) * usual
        darker, brighter = shares[:row].max(initial=-np.inf), shares[row:].min(initial=np.inf)
        if uneven or share < darker - _OUT_OF_ORDER or share > brighter + _OUT_OF_ORDER:
            return row
    return None


def _left_by_light(share: Array, added: Array, ends: Iterable[int]) -> Iterator[float]:
    """Sums of squares of what light leaves that was switched on before any frame, and off before one of `ends`.

    Where it is in black or white it is in the contrast, of which all frames have their share.
    """
    for end in ends:
        for first in range(end):
            on = ((np.arange(len(added)) >= first) & (np.arange(len(added)) < end)).astype(float)
            step = on - on[0] - share * (on[-1] - on[0])
            if step.any():
                yield float(np.sum(added**2) - (step @ added) ** 2 / (step @ step))


def _tone_curves() -> Iterator[Callable[[Array], Array]]:
    """From code values 0..1 to light: powers, with mid tones steeper or flatter, or with a shoulder."""
    codes = np.linspace(0.0, 1.0, 257)
    for power, shoulder in product(_POWERS, _SHOULDERS):
        yield partial(_through, codes, -np.log1p(-(codes**power) * -np.expm1(-shoulder)) / shoulder)
    for power, bend in product(_POWERS, _BENDS):
        bent = codes + bend * codes * (1.0 - codes) * (2.0 * codes - 1.0)
        yield partial(_through, bent, codes**power)


def _through(bent: Array, light: Array, values: Array) -> Array:
    return np.asarray(np.interp(values, bent, light))


def _means(photo: NDArray[np.unsignedinteger], table: NDArray[Any]) -> Array:
    """(n,) means over blocks of what a table makes of codes: noise of single pixels would pass for contrast."""
    height, width = (size // _BLOCK for size in photo.shape)
    single = np.asarray(table, np.float32)

    def of_rows(rows: NDArray[np.unsignedinteger]) -> Array:
        # INTER_AREA with a whole factor is the plain mean
        size = (width, len(rows) // _BLOCK)
        return np.asarray(cv2.resize(single[rows], size, interpolation=cv2.INTER_AREA), float).ravel()

    if not height or not width:
        return np.zeros(0)
    whole = photo[: height * _BLOCK, : width * _BLOCK]
    return np.concatenate([of_rows(whole[top : top + _BAND]) for top in range(0, len(whole), _BAND)])


def _robust_line(basis: Array, values: Array) -> tuple[Array, float]:
    """Least squares in which outliers, such as a shadow that passes, count little; and the scatter of the others."""
    root, scatter = np.ones(len(values)), 0.0
    for _ in range(_PASSES):
        found = np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0]
        off = np.abs(values - basis @ found)
        scatter = SIGMA_PER_MEDIAN * float(np.median(off))
        root = np.sqrt(huber_weights(off / max(scatter, 1e-9)))
    return np.asarray(found), scatter
