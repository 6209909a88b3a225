"""Light that changed suddenly between photographs: the sun, a lamp, an exposure that adapts."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.light_levels import usual_response
from rigwarp.decode.photographs.light_model import Frames, Seen
from rigwarp.decode.photographs.shared_errors import ADDED, GAIN, SHARED, weigh
from rigwarp.geometry import Array
from rigwarp.geometry.robust import huber_weights

_SUDDEN = 0.025  # of the contrast, or of one as gain: a step as large shifts phases by more than their usual noise
_NOTICED = 0.02  # of the contrast, by which the mean light of photographs differs: less needs no closer look
_ROUNDS = 2
_THIN = 8  # of the rows and columns one is looked at in uniform frames
_LIT = 0.3  # of the usual contrast, or of the usual light of black
_FEWEST_PLACES = 200
_PASSES = 4
_PRIOR = 0.3  # of gains and of light added
_EXPLAINED = 0.4  # of what a part of the picture wants of other light is left at most once it has it ...
_MOST_DISSENT = 0.12  # ... but for this share of the parts: elsewhere a shadow or several light paths explain more


@dataclass(frozen=True, kw_only=True)
class LightChange:
    """Light that changed between two photographs.

    Attributes
    ----------
    row : of the first photograph with other light.
    added : light that was added, share of the usual contrast; 0 if a gain explains more.
    gain : its factor; 1 if added light explains more. Together they are hardly different from stripes that fade.
    """

    row: int
    added: float
    gain: float

    def in_words(self, labels: Sequence[str]) -> str:
        """What changed, and when; `labels` of the photographs."""
        when = f"between photographs {labels[self.row - 1]} and {labels[self.row]}"
        if self.added:
            by = f"{100 * abs(self.added):.0f} % of projected white"
            return f"the room's light changed {when} by {by} (sunshine, a lamp)"
        return f"the brightness of the photographs changed {when} by {100 * abs(self.gain - 1.0):.0f} %"


def light_differs(light: Array, frames: Frames) -> bool:
    """A first look: does the mean of photographs (F, N) of waves differ by more than their stripes explain?"""
    if not light.size:
        return False
    mean = light.mean(axis=1)
    black, white = (mean[end] for end in frames.ends)
    waves = mean[frames.waves]
    return bool(np.ptp(waves) > _NOTICED * max(float(white - black), 1e-9))


def find_change_of_levels(photos: Sequence[NDArray[np.unsignedinteger]]) -> LightChange | None:
    """The largest change of light from one uniform frame to the next.

    Light of frame k over that of the first one is a share of the contrast at every place, however bright the place:
    what dim places have beyond it was added. None where that hardly changes from frame to frame.

    Parameters
    ----------
    photos : (H, W) of the uniform frames in the order they were taken, black first and white last.
    """
    table = usual_response(int(np.iinfo(photos[0].dtype).max))
    thin = np.stack([photo[::_THIN, ::_THIN].ravel() for photo in photos])
    light = table[thin[:, thin.max(axis=0) < len(table) - 1]]
    if light.shape[1] < _FEWEST_PLACES:
        return None
    black, contrast = light[0], light[-1] - light[0]
    lit = contrast > _LIT * np.quantile(contrast, 0.95)
    # where only the room's light is, the table still shows what is added to it
    seen = lit | (black > _LIT * np.median(black[lit]))
    usual = float(np.median(contrast[lit]))
    basis = np.column_stack([contrast[seen] / usual, np.ones(np.count_nonzero(seen))])
    added = np.array([_robust_line(basis, row[seen] - black[seen])[1] / usual for row in light])
    steps = np.diff(added)
    largest = int(np.argmax(np.abs(steps)))
    step = float(steps[largest])
    return LightChange(row=largest + 1, added=step, gain=1.0) if abs(step) > _SUDDEN else None


def _robust_line(basis: Array, values: Array) -> Array:
    """Least squares in which outliers, such as a shadow that passes, count little."""
    root = np.ones(len(values))
    for _ in range(_PASSES):
        found = np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0]
        off = np.abs(values - basis @ found)
        root = np.sqrt(huber_weights(off / max(1.4826 * float(np.median(off)), 1e-9)))
    return np.asarray(found)


def find_sudden_change(seen: Seen, frames: Frames) -> LightChange | None:
    """The largest change of light from one photograph to the next; None where all parts of the picture show none.

    Slow changes are left alone, and those between sinusoids: what changes little between the steps of one sinusoid
    hardly shifts its phase.
    """
    found = {kind: _fitted(seen, frames, kind) for kind in (ADDED, GAIN)}
    kind = max(found, key=lambda one: found[one][1])
    shared = found[kind][0]
    steps = np.diff(shared[:, kind])
    steps[frames.period_px[1:] != frames.period_px[:-1]] = 0.0  # from one sinusoid to the next nothing is lost
    steps[np.diff(frames.axis) != 0] = 0.0
    largest = int(np.argmax(np.abs(steps)))
    if abs(steps[largest]) < _SUDDEN or not _everywhere(seen, frames, shared, kind):
        return None
    step = float(steps[largest])
    return LightChange(row=largest + 1, added=step if kind == ADDED else 0.0, gain=1.0 + step if kind == GAIN else 1.0)


def _fitted(seen: Seen, frames: Frames, kind: int) -> tuple[Array, float]:
    """Shared unknowns (F, SHARED) with one kind of light, and by how much they lower chi-squared."""
    found = np.zeros((len(frames.index), SHARED))
    prior = np.eye(len(found)) / _PRIOR**2
    fall = 0.0
    for turn in range(_ROUNDS):
        evidence = weigh(seen, frames, found, [kind])
        pull = evidence.pull - prior @ found[:, kind]
        step = np.linalg.solve(evidence.normal + prior, pull)
        found[:, kind] += step
        fall = float(pull @ step) if turn == 0 else fall
    return found, fall


def _everywhere(seen: Seen, frames: Frames, found: Array, kind: int) -> bool:
    """Do the changes explain what nearly every part of the picture shows?"""
    prior, alike = np.eye(len(found)) / _PRIOR**2, frames.waves.astype(float)
    explained = []
    for here in seen.parts():
        fall = []
        for shared in (np.zeros_like(found), found):
            evidence = weigh(seen.only(here), frames, shared, [kind])
            whole = evidence.pull @ np.linalg.solve(evidence.normal + prior, evidence.pull)
            # without what all photographs have in common: a share of the contrast is another light in each part
            fall.append(float(whole - (alike @ evidence.pull) ** 2 / (alike @ evidence.normal @ alike)))
        explained.append(fall[1] < _EXPLAINED * fall[0])
    return bool(explained) and explained.count(False) <= _MOST_DISSENT * len(explained)
