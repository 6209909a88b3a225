"""Light that changed from photograph to photograph: the sun, a lamp, an exposure that adapts.

All waves of a set have the same mean light at a place, and their amplitudes follow one law; so the gain of each
photograph, and light that was added to it (evenly, or more on one side), are told by what all places have in common.
What all photographs of waves share, no stripe tells; it moves none either.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.light_model import Frames, Seen
from rigwarp.decode.photographs.shared_errors import (
    ADDED,
    GAIN,
    SHARED,
    STRONGER,
    Evidence,
    position_effects,
    weigh,
)
from rigwarp.geometry import Array

_NOTICED = 0.003  # of the contrast, by which the mean light of sinusoids differs: less needs no closer look
_WORTH_PX = 0.0075  # usual error by which light moves what the stripes tell: less is lost in any noise
_LEAST = 0.015  # of the contrast, or of one as gain, in all: less may be what a shadow leaves
_JUMP = 0.02  # of the contrast, or of one as gain, from one photograph to the next: then it is named
_MOST_NAMED = 3
_ROUNDS = 3
_ABOUT_AS_MUCH = 0.9  # of what explains most
_PRIOR = 0.3  # of gains and of light added
_EXPLAINED = 0.4  # of what a part of the picture wants of other light is left at most once it has it ...
_MOST_DISSENT = 0.12  # ... but for this share of the parts: elsewhere a shadow or several light paths explain more
_MOST_PLACES, _MOST_PLACES_SIGMAS = 0.9, 1.645
_ENOUGH = 500  # places: gains are known to a thousandth then
_TREND = 8  # photographs of waves that tell how light changed before them ...
_TREND_SIGMAS = 4.0  # ... if they tell it as surely
_KINDS = [GAIN, *ADDED, STRONGER]


@dataclass(frozen=True, kw_only=True)
class LightCourse:
    """How the light of F photographs differs from their mean.

    Attributes
    ----------
    index : (F,) of the photographs in the set.
    gain : (F,) its factor.
    added : (F, 3) light added in shares of the usual contrast, in the picture's middle and by how much more towards its
        corners along columns and rows.
    contrast : the usual one, linear light.
    sigma_px : what the uncertainty of all that does to positions, projector pixels, usually and per axis.
    """

    index: NDArray[np.intp]
    gain: Array
    added: Array
    contrast: float
    sigma_px: float

    def in_words(self, labels: Sequence[str]) -> str:
        """What changed, when and by how much; `labels` of the set's photographs."""
        gained = float(np.ptp(self.gain)) > float(np.ptp(self.added[:, 0]))
        course = self.gain if gained else self.added[:, 0]
        what = "the brightness of the photographs" if gained else "the room's light (sunshine, a lamp)"
        unit = "" if gained else " of projected white"
        steps = np.abs(np.diff(course))
        jumps = np.sort(np.argsort(-steps, kind="stable")[:_MOST_NAMED])
        jumps = jumps[steps[jumps] > _JUMP]
        if not jumps.size:
            in_all = 100 * np.ptp(course)
            return f"{what} changed little by little, by {in_all:.0f} %{unit} in all"
        named = [
            f"by {100 * steps[at]:.0f} %{unit} between photographs {labels[self.index[at]]} and "
            f"{labels[self.index[at + 1]]}"
            for at in jumps
        ]
        more = np.count_nonzero(steps > _JUMP) > _MOST_NAMED
        return f"{what} changed {', '.join(named)}{', and at others' if more else ''}"

    def extended(self, count: int) -> tuple[Array, Array]:
        """Gain (count,) and added light (count, 3) of all photographs of a set: of those before the waves by the waves'
        trend, of others by their neighbours."""
        every = np.arange(count)
        columns = np.column_stack([self.gain, self.added])
        full = np.stack([_continued(self.index, column, every) for column in columns.T], axis=-1)
        return full[:, 0], full[:, 1:]


def light_differs(light: Array, frames: Frames) -> bool:
    """A first look at photographs (F, N): does the mean over the steps differ from sinusoid to sinusoid?"""
    if not light.size:
        return False
    mean = light.mean(axis=1)
    black, white = (mean[end] for end in frames.ends)
    waves = [mean[wave].mean() for wave in frames.sinusoids()]
    return bool(np.ptp(waves) > _NOTICED * max(float(white - black), 1e-9))


def stripes_over_grey(light: Array, frames: Frames) -> float:
    """How much stripes of photographs (F, N) vary, usually, over what white and black let them: 1 at most in one
    exposure, less where they are blurred, more where the exposure follows the picture, which they make darker."""
    black, white = (light[end] for end in frames.ends)
    contrast = np.maximum(white - black, 1e-9)
    return float(np.median([2.0 * np.sqrt(2.0) * light[wave].std(axis=0) / contrast for wave in frames.sinusoids()]))


def find_light_course(seen: Seen, frames: Frames) -> LightCourse | None:
    """Gain and added light of each photograph of waves; None where they move nothing, or do not explain all parts of
    the picture alike.

    A lamp that fades evenly hardly moves anything: what changes little between the steps of one sinusoid hardly
    shifts its phase.
    """
    count = len(frames.index)
    seen = seen.only(slice(None, None, max(1, len(seen.light) // _ENOUGH)))
    found = np.zeros((count, SHARED))
    courses = _simplest(_courses(frames), weigh(seen, frames, found, _KINDS), count)
    prior = np.diag(np.full(len(courses), 1.0 / _PRIOR**2))
    factors, covariance = np.zeros(len(courses)), prior
    for _ in range(_ROUNDS):
        evidence = weigh(seen, frames, found, _KINDS)
        covariance = np.asarray(np.linalg.inv(courses @ evidence.normal @ courses.T + prior), float)
        factors = factors + covariance @ (courses @ evidence.pull - prior @ factors)
        found[:, _KINDS] = (factors @ courses).reshape(count, -1)
    effects = _effects(seen, frames, found) @ courses.T
    waves = found[frames.waves]
    largest = max(np.ptp(waves[:, GAIN]), np.ptp(waves[:, ADDED[0]]))
    little = _usual(effects @ factors) < _WORTH_PX or largest < _LEAST
    if little or not _everywhere(seen, frames, found, courses):
        return None
    variance = np.einsum("nak,kl,nal->na", effects, covariance, effects, optimize=True)
    return LightCourse(
        index=frames.index[frames.waves],
        gain=1.0 + waves[:, GAIN] - waves[:, GAIN].mean(),
        added=waves[:, ADDED] - waves[:, ADDED].mean(axis=0),
        contrast=seen.contrast,
        sigma_px=_usual(np.sqrt(variance)),
    )


def _courses(frames: Frames) -> Array:
    """(m, F k) what is unknown: gain of each photograph, then its added light, then each sinusoid's strength.

    Without the last a lens that passes one period better than its neighbours would pass for gain and added light.
    """
    every, kinds = np.eye(len(frames.index)), np.eye(len(_KINDS))
    alike = np.stack([every[frames.like(wave[0])].sum(axis=0) for wave in frames.sinusoids()])
    return np.concatenate([np.kron(rows, kind) for rows, kind in zip([every] * 4 + [alike], kinds, strict=True)])


def _simplest(courses: Array, evidence: Evidence, count: int) -> Array:
    """Without gain, or without added light, if the rest explains about as much.

    Light added where the table is brighter looks much like a gain, and both together like stripes that fade.
    """
    gain, strength = slice(count), slice(4 * count, None)
    choices = (courses[count:], np.concatenate([courses[gain], courses[strength]]), courses)
    falls = [evidence.fitted(one, np.full(len(one), 1.0 / _PRIOR**2)).fall for one in choices]
    simple = int(np.argmax(falls[:2]))
    return choices[simple if falls[simple] >= _ABOUT_AS_MUCH * falls[2] else 2]


def _effects(seen: Seen, frames: Frames, found: Array) -> Array:
    """(N, 2, F k) as `position_effects`, but for what all steps of a sinusoid share: no phase depends on that."""
    own = np.zeros((len(frames.index), len(frames.index)))
    for wave in frames.sinusoids():
        own[np.ix_(wave, wave)] = np.eye(len(wave)) - 1.0 / len(wave)
    effects = position_effects(seen, frames, found, _KINDS)
    return np.asarray(effects @ np.kron(own, np.eye(len(_KINDS))))


def _usual(moved_px: Array) -> float:
    """Error of the axis (N, 2) that has the larger ones, as of a normal distribution; a few places tell nothing."""
    return float(np.quantile(np.abs(moved_px), _MOST_PLACES, axis=0).max() / _MOST_PLACES_SIGMAS)


def _everywhere(seen: Seen, frames: Frames, found: Array, courses: Array) -> bool:
    """Do the changes explain what nearly every part of the picture shows?"""
    explained = []
    for here in seen.parts():
        before, after = (
            _wanted(weigh(seen.only(here), frames, shared, _KINDS), frames, courses)
            for shared in (np.zeros_like(found), found)
        )
        explained.append(after < _EXPLAINED * before)
    return bool(explained) and explained.count(False) <= _MOST_DISSENT * len(explained)


def _wanted(evidence: Evidence, frames: Frames, courses: Array) -> float:
    """By how much chi-squared falls with other light, but for what all photographs of a sinusoid have in common.

    A share of the contrast is another light in each part, and lenses differ from part to part.
    """
    loose = np.full(len(courses), 1.0 / _PRIOR**2)
    alike = np.kron(frames.waves.astype(float), np.eye(len(_KINDS)))
    alike = np.concatenate([alike, courses[-len(frames.sinusoids()) :]])
    return evidence.fitted(courses, loose).fall - evidence.fitted(alike, loose[: len(alike)]).fall


def _continued(index: NDArray[np.intp], values: Array, every: NDArray[np.intp]) -> Array:
    """Values (F,) at photographs `index` for all of them: before the first by the trend of the first ones, if any."""
    found = np.interp(every, index, values)
    x, y = index[:_TREND] - index[0], values[:_TREND] - values[0]
    design = np.column_stack([np.ones(len(x)), x])
    (start, slope), *_ = np.linalg.lstsq(design, y, rcond=None)
    left = y - design @ [start, slope]
    unsure = np.sqrt(left @ left / max(1, len(x) - 2) / np.sum((x - x.mean()) ** 2))
    before = every < index[0]
    if abs(slope) > _TREND_SIGMAS * unsure:
        found[before] = values[0] + start + slope * (every[before] - index[0])
    return found
