"""Light that is not the same for all photographs: daylight, the sun, a lamp that drifts, an exposure that adapts."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.photographs.light_model import Frames, Seen
from rigwarp.decode.photographs.shared_errors import ADDED, GAIN, SHARED, weigh
from rigwarp.geometry import Array

Codes = NDArray[np.unsignedinteger]

_NOTICED = 0.02  # of the contrast, by which the mean light of photographs differs: less changes nothing
_ROUNDS = 2
_PRIOR = 0.3  # of gains and of light added
_EXPLAINED = 0.4  # of what a part of the picture wants of other light is left at most once it has it ...
_MOST_DISSENT = 0.12  # ... but for this share of the parts: elsewhere a shadow or several light paths explain more


@dataclass(frozen=True, kw_only=True)
class OwnLight:
    """Of F photographs: gain against the usual one, and light that was added, in shares of the usual contrast.

    Only one of the two is found: together they are hardly different from stripes that fade.
    """

    gain: Array
    added: Array

    def in_words(self) -> str:
        """What changed."""
        gain, added = float(np.ptp(self.gain)), float(np.ptp(self.added))
        if added > gain:
            return f"the room's light changed by {added:.0%} of projected white during the scan (daylight, lamps)"
        return f"the photographs' light changed by {gain:.0%} during the scan (the projector, the camera's exposure)"


def light_differs(light: Array, frames: Frames) -> bool:
    """A first look: does the mean of photographs (F, N) of waves differ by more than their stripes explain?"""
    mean = light.mean(axis=1)
    black, white = (mean[end] for end in frames.ends)
    waves = mean[frames.waves]
    return bool(np.ptp(waves) > _NOTICED * max(float(white - black), 1e-9))


def find_own_light(seen: Seen, frames: Frames) -> OwnLight | None:
    """Gain of every photograph of waves, or light added to it, whichever explains more.

    None where that is not what all parts of the picture show.
    """
    found = {kind: _fitted(seen, frames, kind) for kind in (ADDED, GAIN)}
    kind = max(found, key=lambda one: found[one][1])
    shared = found[kind][0]
    if np.ptp(shared[frames.waves, kind]) < _NOTICED or not _everywhere(seen, frames, shared, kind):
        return None
    # what all have in common is another contrast or another black, not the photographs' own
    shared[frames.waves, kind] -= np.median(shared[frames.waves, kind])
    return OwnLight(gain=1.0 + shared[:, GAIN], added=shared[:, ADDED])


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


def evened(
    photos: Sequence[Codes], frames: Frames, own: OwnLight, light_of_code: Array, contrast: float
) -> list[Codes]:
    """Photographs (H, W) of a set with their own light taken out; what was at full scale stays there.

    `contrast` is the usual one, linear light.
    """
    full = len(light_of_code) - 1
    better = list(photos)
    for row in np.flatnonzero(frames.waves):
        index = int(frames.index[row])
        even = (light_of_code - own.added[row] * contrast) / own.gain[row]
        codes = np.rint(np.interp(even, light_of_code, np.arange(full + 1.0)))
        table = np.minimum(codes, full - 1).astype(photos[index].dtype)
        table[full] = full
        better[index] = table[photos[index]]
    return better
