"""The longest exposure of whole projector frames at which white does not burn out."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

FOUND_BRIGHT: Final = 0.85
"""Share of full scale that the brightest spots are brought to or near below."""

_TOO_BRIGHT = 0.95  # the brightest spots: room for the projector's and the lamp's own ups and downs
_BRIGHT_ENOUGH = 0.7
_MIN_FRAMES = 2  # fewer are not averaged over: colour wheels, mains light
_MAX_FRAMES = 60
_SHORTEST_S = 5e-5
_ROUNDS = 6  # of halving, on a logarithmic scale, below two frames: to within 7 %


@dataclass(frozen=True, kw_only=True)
class ExposureFound:
    """What the search came to.

    Attributes
    ----------
    seconds : the exposure that is set now, as the camera says.
    frames : how many projector frames that is; None when white burns out even in two, so that it had to be shorter.
    brightest : share of full scale that the brightest spots reach.
    tries : how many exposures were tried.
    """

    seconds: float
    frames: int | None
    brightest: float
    tries: int


def find_exposure(try_s: Callable[[float], tuple[float, float]], *, frame_s: float) -> ExposureFound:
    """Search.

    Parameters
    ----------
    try_s : sets an exposure, photographs white, and returns the exposure that was really set and the brightest spots'
        share of full scale (1 = burnt out).
    frame_s : one frame of the projector.

    Notes
    -----
    Brightness rises with exposure, so that bisection finds the limit. A camera that cannot expose as asked gives what
    it can: the search then ends with what comes nearest.
    """
    seen: dict[float, tuple[float, float]] = {}

    def bright(seconds: float) -> float:
        if seconds not in seen:
            seen[seconds] = try_s(seconds)
        return seen[seconds][1]

    if bright(_MIN_FRAMES * frame_s) >= _TOO_BRIGHT:
        low, high = np.log(_SHORTEST_S), np.log(_MIN_FRAMES * frame_s)
        for _ in range(_ROUNDS):
            middle = (low + high) / 2.0
            low, high = (low, middle) if bright(float(np.exp(middle))) >= _TOO_BRIGHT else (middle, high)
        return _settled(try_s, float(np.exp(low)), None, len(seen))
    good, bad = _MIN_FRAMES, _MAX_FRAMES + 1
    while bad - good > 1 and bright(good * frame_s) < _BRIGHT_ENOUGH:
        frames = min(2 * good, (good + bad) // 2) if bad <= _MAX_FRAMES else min(2 * good, _MAX_FRAMES)
        good, bad = (good, frames) if bright(frames * frame_s) >= _TOO_BRIGHT else (frames, bad)
    return _settled(try_s, good * frame_s, good, len(seen))


def _settled(
    try_s: Callable[[float], tuple[float, float]], seconds: float, frames: int | None, tries: int
) -> ExposureFound:
    """Set the exposure that was chosen; the last one tried may have been another."""
    real_s, brightest = try_s(seconds)
    return ExposureFound(seconds=real_s, frames=frames, brightest=brightest, tries=tries + 1)
