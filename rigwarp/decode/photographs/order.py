"""Which pattern each photograph shows: told by all the others.

A position is looked for at every place that explains most of the photographs, whatever a few of them show; then each
photograph is compared with what every pattern would look like there. Exchanged photographs, one that was taken too
early, mirrored ones: each is far from its own pattern and near to another (or near to its own one when turned back).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.likeness import WRONG, Likeness, usual_light
from rigwarp.geometry import Array
from rigwarp.patterns import PatternSet, StripeFrame

Codes = NDArray[np.unsignedinteger]

_PLACES = 64
_CANDIDATES = 4000  # pixels among which the places are chosen
_LIT = 0.3  # of the contrast of the best lit pixels
_BEST_LIT = 0.01  # of all pixels: a display may be small in the picture
_UNLIKELY = 0.1  # amplitudes, for which one more wrong photograph has to explain more than a pile that is shifted
_AGAIN = 0.03  # amplitudes: photographs of one picture differ by noise; black and the darkest grey by 0.05
_MOST_WRONG = 0.3  # of the photographs: of more nothing can be said from the others
_MOST_MISCOUNTED = 3  # photographs missing or too many


@dataclass(frozen=True, kw_only=True)
class Order:
    """What N photographs of a set of F patterns show.

    Attributes
    ----------
    shows : (N,) pattern that each photograph shows; its own number where that fits; -1 where none does.
    turned : photograph -> how it is turned or mirrored against the others.
    patterns : F.
    columns_last : all patterns along y are shown before those along x.
    shifted : one is missing or there twice, and all after it are shifted: a pile of several scans was shared out by
        numbers. Where the last photograph is the first of what came next, `shows` ends before it.
    """

    shows: tuple[int, ...]
    turned: dict[int, str]
    patterns: int
    columns_last: bool = False
    shifted: bool = False

    @property
    def right(self) -> bool:
        """Every photograph shows its own pattern."""
        return not self.turned and self.shows == tuple(range(self.patterns))

    @property
    def certain(self) -> bool:
        """Few photographs are wrong, or just missing or too many, and of all it is known what they show."""
        wrong = [own for own, shown in enumerate(self.shows) if shown != own] + list(self.turned)
        few = len(wrong) <= _MOST_WRONG * len(self.shows) or len(self.shows) != self.patterns
        return (few or self.columns_last or self.shifted) and all(shown >= 0 for shown in self.shows)

    @property
    def unlike(self) -> tuple[int, ...]:
        """Photographs that are not like their own patterns, and it is not known what they show, if they are few."""
        wrong = [own for own, shown in enumerate(self.shows) if shown != own]
        return () if self.certain or len(wrong) > _MOST_WRONG * len(self.shows) else tuple(wrong)

    @property
    def twice(self) -> bool:
        """Photographs show what the one before shows."""
        return any(before == own for before, own in pairwise(self.shows))

    @property
    def mended(self) -> tuple[int, ...] | None:
        """Pattern -> photograph that shows it, if the photographs are all there and only mixed up; None otherwise.

        Photographs that were taken twice are left out.
        """
        if self.turned or len(set(self.shows)) != self.patterns or min(self.shows) < 0:
            return None
        return tuple(self.shows.index(n) for n in range(self.patterns))


def find_order(photos: Sequence[Codes], patterns: PatternSet) -> Order:
    """Compare every photograph (H, W) with every pattern of a set of one exposure, at a few lit places.

    Where hardly any photograph looks like its pattern, none is told. Of photographs that are missing or too many it is
    told which: by leaving out one pattern or photograph after the other until the rest fit best. The camera's response
    is taken as usual; only large differences count.
    """
    places = _places(photos)
    light = usual_light([photo[places] for photo in photos])
    every = list(range(len(patterns.frames)))
    whole = len(photos) == len(every)
    kept, shown = (every, every) if whole else _counted(light, every, patterns)
    look = Likeness(light[kept], patterns, shown)
    if not look.tells:
        unlike = Order(shows=(-1,) * len(photos), turned={}, patterns=len(every))
        return (_shifted(light, patterns, look.misfit) if whole else None) or unlike
    plainly = look.shown()
    shows = look.looked_for_again(patterns, plainly) if whole else plainly
    if _again(light) not in kept:  # that explains the number, and nothing is said of sunlit ones
        shows = [own if one < 0 else one for own, one in zip(shown, shows, strict=True)]
    turned = look.turned(photos, kept, places, shows)
    order = Order(shows=look.with_left_out(light, kept, shows), turned=turned, patterns=len(every))
    if order.right or not whole:
        return order
    if not replace(order, shows=tuple(plainly), turned={}).certain:
        last = _columns_last(patterns)
        again = Likeness(light, replace(patterns, frames=tuple(patterns.frames[n] for n in last)), every)
        if again.shown() == every:
            return Order(shows=tuple(last), turned={}, patterns=len(every), columns_last=True)
    wrong = sum(shown != own for own, shown in enumerate(shows))
    single = min(look.misfit, Likeness(light, patterns, look.guessed(shows)).misfit + _UNLIKELY * wrong)
    return _shifted(light, patterns, single) or order


def _shifted(light: Array, patterns: PatternSet, misfit: float) -> Order | None:
    """What light (F, P) of a whole set's photographs shows if one is missing, or there twice, and all after it are
    shifted; None unless that fits far better than single wrong photographs, which leave a `misfit`."""
    every = list(range(len(light)))
    found = []
    for some, shown in ((light[:-1], every), (light, every[:-1])):  # the last one is a stranger, or lost
        kept, shows = _counted(some, shown, patterns)
        look = Likeness(some[kept], patterns, shows)
        if look.tells and look.misfit + 2.0 * WRONG < misfit:
            found.append((look.misfit, look.with_left_out(some, kept, shows)))
    return Order(shows=min(found)[1], turned={}, patterns=len(every), shifted=True) if found else None


def _columns_last(patterns: PatternSet) -> list[int]:
    """(F,) pattern at each place of a sequence with those along y before those along x, the others where they were."""
    axis = [frame.axis if isinstance(frame, StripeFrame) else "" for frame in patterns.frames]
    places = [n for n, name in enumerate(axis) if name]
    shown = dict(zip(places, sorted(places, key=lambda n: axis[n], reverse=True), strict=True))
    return [shown.get(n, n) for n in range(len(axis))]


def _places(photos: Sequence[Codes]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of lit pixels, by what differs over the photographs but for the two extremes."""
    height, width = photos[0].shape
    step = max(1, int(np.sqrt(height * width / _CANDIDATES)))
    thin = np.stack([photo[step // 2 :: step, step // 2 :: step] for photo in photos]).astype(np.float32)
    thin.sort(axis=0)
    contrast = thin[-3] - thin[2]
    lit = (contrast > _LIT * np.quantile(contrast, 1.0 - _BEST_LIT)) & (thin[-1] < np.iinfo(photos[0].dtype).max)
    row, column = np.nonzero(lit if lit.any() else contrast >= 0.0)
    few = slice(None, None, max(1, len(row) // _PLACES))
    return step // 2 + step * row[few], step // 2 + step * column[few]


def _counted(light: Array, wanted: Sequence[int], patterns: PatternSet) -> tuple[list[int], list[int]]:
    """Which photographs are kept and which of the `wanted` patterns they show, where their numbers differ."""
    kept, shown = list(range(len(light))), list(wanted)
    while len(kept) != len(shown):
        longer = shown if len(shown) > len(kept) else kept
        trials = []
        for left_out in longer:
            longer_less = [n for n in longer if n != left_out]
            trial = (kept, longer_less) if longer is shown else (longer_less, shown)
            both = min(len(trial[0]), len(trial[1]))
            trials.append((Likeness(light[trial[0][:both]], patterns, trial[1][:both]).misfit, left_out))
        # of two alike the second is the one too many
        best = min(misfit for misfit, _ in trials)
        again = kept[_again(light[kept])] if longer is kept else 0
        sure = again and any(misfit < best + 2.0 * WRONG for misfit, n in trials if n == again)
        longer.remove(again if sure else max(n for misfit, n in trials if misfit < best + 1e-3))
    return kept, shown


def _again(light: Array) -> int:
    """Which of (F, N) photographs is by far the most like the one before it, and like it but for noise; 0 where none
    is. No light of the room hides that."""
    amplitude = np.sqrt(2.0) * light.std(axis=0)
    apart = np.median(np.abs(np.diff(light, axis=0)) / np.maximum(amplitude, 1e-6), axis=1)
    least, next_one = np.sort(apart)[:2]
    return int(np.argmin(apart)) + 1 if least < min(_AGAIN, 0.5 * next_one) else 0


def countable(photos: int, patterns: int) -> bool:
    """Is it few photographs that are missing or too many?"""
    return 0 < abs(photos - patterns) <= _MOST_MISCOUNTED
