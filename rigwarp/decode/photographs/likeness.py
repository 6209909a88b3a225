"""How near every photograph of a scan is to every pattern, at places that most of the photographs explain."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.signal.position import TURN
from rigwarp.geometry import Array
from rigwarp.patterns import GrayFrame, LevelFrame, PatternFrame, PatternSet, PhaseFrame, PlaidFrame, StripeFrame
from rigwarp.rig import decode_transfer

Codes = NDArray[np.unsignedinteger]

WRONG = 0.35
"""Amplitudes, at half of the places or at most of them: a photograph of its own pattern is nearer."""
USUAL_GAMMA = 2.2
"""Of projectors, and of cameras of 8 bits."""
_GRID_PX = 2.0  # projector pixels: a ninth of the shortest period
_MOST_MISFIT = 0.25  # of a photograph at a place, squared, in amplitudes: worse is no worse
_MOST_PLACES = 0.75  # of the places, where a set has bits of a code: half of them are as bright as a uniform frame
_NOISE = 0.33  # of the distance to all patterns, own ones' median: noise alone is at 0.37 and more, poor light at 0.30
_AS_NEAR = 2.0  # times the distance of the other photographs from their own patterns
_ALIKE = 0.1  # amplitudes: photographs of one uniform frame are nearer to each other
_FOLLOWED = 0.5  # of the stripes' contrast, which uniform frames from black to white exceed in one exposure
_CLEARLY = 0.5  # of the distance from its own pattern: another one is this much nearer
_SAME_LIGHT = 0.08  # of white: uniform frames nearer than this are not told apart
_SAME_CODE = 0.006  # of full scale: a photograph taken twice is as bright to within its noise
_MOST_OF_MIDDLE = 0.65  # of white's light in the middle one of the uniform frames
_TURNED = {
    "upside down": (slice(None, None, -1), slice(None, None, -1)),
    "mirrored left to right": (slice(None), slice(None, None, -1)),
    "mirrored top to bottom": (slice(None, None, -1), slice(None)),
}


class Likeness:
    """Photographs that should show certain patterns, and their distance from all patterns."""

    def __init__(self, light: Array, patterns: PatternSet, wanted: Sequence[int]) -> None:
        """Light (N, P) of N photographs at P places; `wanted` (N,) their patterns, ascending."""
        self._frames, self._wanted, self._light = patterns.frames, list(wanted), light
        waves = np.array([isinstance(patterns.frames[n], StripeFrame) for n in wanted])
        self._middle, self._amplitude = light[waves].mean(axis=0), np.sqrt(2.0) * light[waves].std(axis=0)
        seen = self._seen(light)
        span = 0.5 * float(np.median(np.ptp(light, axis=0) / np.maximum(self._amplitude, 1e-6)))
        positions = np.stack([_position(seen, patterns, wanted, axis) for axis in range(2)])
        self._signals = np.stack([_signal(frame, positions, patterns, span) for frame in patterns.frames])
        self._share = _MOST_PLACES if any(isinstance(frame, GrayFrame) for frame in self._frames) else 0.5
        self.distance = self._off(seen[:, None] - self._signals[None])

    @property
    def own(self) -> float:
        """Distance of photographs from their own patterns, median."""
        return float(np.median(self.distance[range(len(self._wanted)), self._wanted]))

    @property
    def tells(self) -> bool:
        """Most photographs look like their own patterns."""
        return self.own <= _NOISE * float(np.median(self.distance))

    @property
    def misfit(self) -> float:
        """Of all photographs from their patterns, a wrong one's bounded."""
        own = self.distance[range(len(self._wanted)), self._wanted]
        return float(np.sum(np.minimum(own, 2.0 * WRONG)))

    def nearest(self, light: Array, *, before: int) -> int:
        """Pattern that light (P,) of another photograph shows, of two alike the one `before`; -1 where none fits."""
        off = self._off(self._seen(light) - self._signals)
        best = int(np.argmin(off))
        if before >= 0 and self._frames[best] == self._frames[before]:
            best = before
        return best if off[best] < WRONG else -1

    def with_left_out(self, light: Array, kept: Sequence[int], shows: Sequence[int]) -> tuple[int, ...]:
        """(M,) what all photographs show, light (M, P); those `kept` (N,) show `shows`."""
        found = dict(zip(kept, shows, strict=True))
        for own in range(len(light)):
            if own not in found:
                found[own] = self.nearest(light[own], before=found.get(own - 1, -1))
        return tuple(found[own] for own in range(len(light)))

    def guessed(self, shows: Sequence[int]) -> list[int]:
        """(N,) `shows`, and the nearest pattern where that is -1."""
        return [shown if shown >= 0 else int(np.argmin(self.distance[i])) for i, shown in enumerate(shows)]

    def looked_for_again(self, patterns: PatternSet, shows: list[int]) -> list[int]:
        """(N,) `shows` of a whole set, put right where places that are looked for by what photographs seem to show have
        these clearly nearer: wrong ones draw places to where they fit a little, and pass for their own there."""
        guessed = self.guessed(shows)
        for i in (n for n, shown in enumerate(shows) if shown == n and isinstance(self._frames[n], StripeFrame)):
            nearest = int(np.argmin(self.distance[i]))
            other = isinstance(self._frames[nearest], StripeFrame) and self._frames[nearest] != self._frames[i]
            if other and self.distance[i, i] > _AS_NEAR * self.own:
                guessed[i] = nearest
        swapped = list(guessed)
        for i, shown in enumerate(guessed):
            if guessed[shown] == shown != i:
                swapped[shown] = i
        if guessed == shows == swapped:
            return shows
        looks = [(Likeness(self._light, patterns, told), told) for told in (guessed, swapped)]
        again, told = min(looks, key=lambda one: one[0].misfit)
        changed = [i for i, shown in enumerate(shows) if told[i] != shown]
        near = (again.distance[i, told[i]] < _CLEARLY * self.distance[i, i] for i in changed)
        return told if again.misfit < self.misfit and all(near) else shows

    def shown(self) -> list[int]:
        """(N,) pattern that each photograph shows, -1 where none fits."""
        found = list(self._wanted)
        uniform = [isinstance(frame, LevelFrame) for frame in self._frames]
        for index, own in enumerate(self._wanted):
            nearest = int(np.argmin(self.distance[index]))
            if uniform[own] and uniform[nearest]:
                continue
            off = self.distance[index, own]
            if off > WRONG and self._frames[nearest] != self._frames[own]:
                limit, other = _CLEARLY * off, -1
                if isinstance(self._frames[own], PlaidFrame):
                    # other zones' light is in a plaid, too: it need not look like its own, and may look like a grey
                    limit, other = min(limit, _AS_NEAR * self.own), own
                found[index] = nearest if self.distance[index, nearest] < limit else other
        self._prefer_missing(found)
        greys = [i for i, own in enumerate(self._wanted) if uniform[own]]
        if all(found[i] == self._wanted[i] for i in greys):
            for i, own in enumerate(self._wanted):
                if isinstance(self._frames[own], PlaidFrame) and uniform[found[i]]:
                    found[i] = self._same_grey(i, greys)
        self._order_levels(found)
        return found

    def _same_grey(self, index: int, greys: list[int]) -> int:
        """Uniform pattern whose photograph, the one before if it may be, this one is like; its own where it is not."""
        off = np.abs(self._light[greys] - self._light[index]) / np.maximum(self._amplitude, 1e-6)
        off = np.quantile(off, _MOST_PLACES, axis=1)
        near = [i for i, one in zip(greys, off, strict=True) if one < _ALIKE]
        return self._wanted[index - 1 if index - 1 in near else greys[int(np.argmin(off))] if near else index]

    def _prefer_missing(self, found: list[int]) -> None:
        """Of patterns that look alike, take the one that is shown nowhere else, or else the one before."""
        wrong = [i for i, own in enumerate(self._wanted) if found[i] != own]
        missing = {self._wanted[i] for i in wrong} - {found[i] for i in wrong}
        for i in wrong:
            shown = self._frames[found[i]]
            for other in (*sorted(missing), self._wanted[i] - 1):
                both_uniform = isinstance(shown, LevelFrame) and isinstance(self._frames[other], LevelFrame)
                if found[i] >= 0 and found[i] not in missing and (self._frames[other] == shown or both_uniform):
                    found[i] = other
                    missing.discard(other)
                    break

    def _order_levels(self, found: list[int]) -> None:
        """Uniform frames among themselves: by their light, for which the projector's curve need not be known."""
        there = [i for i, own in enumerate(self._wanted) if isinstance(self._frames[own], LevelFrame)]
        there = [i for i in there if found[i] == self._wanted[i]]
        if len(there) < 3:
            return
        light = np.median(self._light, axis=1)
        span = float(np.ptp(light[there]))
        level = (light - light[there].min()) / max(span, 1e-9)
        if span < _FOLLOWED * 2.0 * np.median(self._amplitude) or np.median(level[there]) > _MOST_OF_MIDDLE:
            return  # the camera's exposure follows the light: nothing is told by brightness
        # a camera of another curve than the usual one shows dark greys far darker, but not alike
        code = light ** (1.0 / USUAL_GAMMA)
        moved = self._misplaced(there, level)
        for own, place in moved.items():
            found[own] = self._wanted[place]
        same = [
            (before, own)
            for before, own in pairwise(there)
            if (
                self._frames[self._wanted[before]] != self._frames[self._wanted[own]]
                and _very_same(self._light[before], self._light[own])
            )
            or (
                abs(_usual(self._frames[self._wanted[own]]) - _usual(self._frames[self._wanted[before]])) > _SAME_LIGHT
                and abs(float(level[own] - level[before])) < _SAME_LIGHT / 4.0
                and abs(code[own] - code[before]) < _SAME_CODE
            )
        ]
        if len(same) == 1 and not moved:  # several alike: the camera's exposure follows the light
            found[same[0][1]] = self._wanted[same[0][0]]

    def _misplaced(self, there: Sequence[int], level: Array) -> dict[int, int]:
        """Of uniform frames `there`, those that are not where light (N,) puts them -> the one whose light they have."""

        def sorted_in(some: Sequence[int]) -> dict[int, int]:
            by_light = sorted(some, key=lambda i: float(level[i]))
            by_code = sorted(some, key=lambda i: (_level(self._frames[self._wanted[i]]), i))
            pairs = zip(by_light, by_code, strict=True)
            return {i: k for i, k in pairs if i != k and abs(float(level[i] - level[k])) > _SAME_LIGHT}

        moved = sorted_in(there)
        if len(moved) == 2 and set(moved) == set(moved.values()):
            return moved
        # a single stranger, far from its own pattern, shifts all between its place and its light
        for one in sorted(there, key=lambda i: float(-self.distance[i, self._wanted[i]])) if moved else ():
            between = [i for i in moved if i != one]
            stay, go = (
                sum(self.distance[i, self._wanted[k]] for i, k in zip(between, to, strict=True))
                for to in (between, [moved[i] for i in between])
            )
            rest = [i for i in there if i != one]
            if stay < go and not sorted_in(rest):
                return {one: min(rest, key=lambda i: abs(float(level[i] - level[one])))}
        return moved

    def turned(
        self,
        photos: Sequence[Codes],
        numbers: Sequence[int],
        places: tuple[NDArray[np.intp], NDArray[np.intp]],
        shows: list[int],
    ) -> dict[int, str]:
        """Photograph -> how those are turned that are near no pattern otherwise; `shows` is put right for them."""
        found = {}
        pairs = set(zip(shows, self._wanted, strict=True))  # of an exchanged pair either may look like itself mirrored
        for index in (i for i, own in enumerate(self._wanted) if shows[i] != own and (own, shows[i]) not in pairs):
            if not isinstance(self._frames[self._wanted[index]], StripeFrame):
                continue
            for how, way in _TURNED.items():
                seen = self._seen(usual_light([photos[numbers[index]][way][places]])[0])
                if self._off(seen - self._signals[self._wanted[index]]) < WRONG:
                    found[numbers[index]] = how
                    shows[index] = self._wanted[index]
                    break
        return found

    def _seen(self, light: Array) -> Array:
        return np.asarray((light - self._middle) / np.maximum(self._amplitude, 1e-6))

    def _off(self, beside: Array) -> Array:
        """(...) usual size of what light differs by at the places (..., P)."""
        return np.asarray(np.quantile(np.abs(beside), self._share, axis=-1))


def usual_light(codes: list[NDArray[np.unsignedinteger]]) -> Array:
    """(F, N) light of codes, by the usual response."""
    stack = np.stack(codes)
    full = np.iinfo(stack.dtype).max
    return np.asarray(stack / full, float) ** (USUAL_GAMMA if full == 255 else 1.0)


def _position(seen: Array, patterns: PatternSet, wanted: Sequence[int], axis: int) -> Array:
    """(P,) position along an axis that explains most photographs."""
    grid = np.arange(0.0, patterns.resolution[axis], _GRID_PX)
    cost = np.zeros((seen.shape[1], grid.size), np.float32)
    for index, own in enumerate(wanted):
        frame = patterns.frames[own]
        if not isinstance(frame, StripeFrame) or frame.axis != "xy"[axis]:
            continue
        there = _signal(frame, np.stack([grid, grid]), patterns, 1.0).astype(np.float32)
        off = seen[index].astype(np.float32)[:, None] - there
        cost += np.minimum(off * off, _MOST_MISFIT)
    return np.asarray(grid[np.argmin(cost, axis=1)])


def _signal(frame: PatternFrame, positions_px: Array, patterns: PatternSet, span: float) -> Array:
    """(N,) light of a frame over its mean, in amplitudes of the waves; uniform frames span +-`span`."""
    if isinstance(frame, LevelFrame):
        share = float(decode_transfer(np.array(frame.level / 255.0), patterns.transfer))
        return np.full(positions_px.shape[1], (2.0 * share - 1.0) * span)
    if isinstance(frame, PlaidFrame):
        turns = positions_px / np.array(frame.periods_px)[:, None]
        return np.asarray(0.5 * np.cos(TURN * turns).sum(axis=0))
    position = positions_px[0 if frame.axis == "x" else 1]
    if isinstance(frame, PhaseFrame):
        return np.asarray(np.cos(TURN * (position / frame.period_px - frame.step / frame.steps)))
    cell = ((position + 0.5) / frame.cell_px).astype(np.int64)
    return np.where((((cell ^ (cell >> 1)) >> frame.bit) & 1) != frame.inverted, 1.0, -1.0)


def _level(frame: PatternFrame) -> int:
    assert isinstance(frame, LevelFrame), "only uniform frames have a level"
    return frame.level


def _very_same(first: Array, second: Array) -> bool:
    """The same file twice: noise makes no two photographs alike, but for cameras that show dark greys as one black."""
    return bool(np.ptp(first) > 0.0 and np.array_equal(first, second))


def _usual(frame: PatternFrame) -> float:
    """Light of a uniform frame as projectors usually show it, share of white."""
    return float(_level(frame) / 255.0) ** USUAL_GAMMA
