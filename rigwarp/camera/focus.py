"""How sharp a scene is in a camera's live picture: one number that only focus changes.

The gradient energy of Tenenbaum (1970) as Krotkov (1987, IJCV 1, 223) compares it with others: the mean square of the
picture's Sobel gradient. Over the mean brightness squared, more light does not count as sharper. Gradients of two
photographs, each with its own noise, are multiplied instead of squared, so that noise adds nothing on average.
"""

from collections import deque
from dataclasses import dataclass, field

import cv2
import numpy as np

from rigwarp.geometry import Photo

_SOBEL = 8.0  # OpenCV's kernel gives this many times the slope per pixel
_BURNT = 0.02  # share of the picture at full scale from which edges are cut off
_DARK = 0.005  # mean, share of full scale: below it there is nothing to judge
_KEPT = 3  # pairs whose median is told


def gradient_energy(first: Photo, second: Photo) -> float:
    """Mean product of two photographs' gradients over the product of their means, per square pixel; NaN in the dark.

    Parameters
    ----------
    first, second : (H, W) of one unchanging scene, 8 or 16 bit.
    """
    full = float(np.iinfo(first.dtype).max)
    means = first.mean() / full, second.mean() / full
    if min(means) < _DARK:
        return float("nan")
    total = 0.0
    for axis in ((1, 0), (0, 1)):
        one, two = (cv2.Sobel(photo, cv2.CV_32F, *axis) / (_SOBEL * full) for photo in (first, second))
        total += float(np.mean(one * two))
    return total / float(means[0] * means[1])


@dataclass(frozen=True, kw_only=True)
class Sharpness:
    """`now` and the `best` so far, as `gradient_energy` has them; `burnt`: too bright for its edges to be judged."""

    now: float
    best: float
    burnt: bool

    @property
    def words(self) -> str:
        """For whoever turns the lens."""
        if self.burnt:
            return "burnt out: less exposure"
        return f"sharpness {100.0 * self.now / self.best:.0f} % of the best so far"


@dataclass
class FocusMeter:
    """Takes photograph after photograph; two make a number."""

    _last: Photo | None = None
    _recent: deque[float] = field(default_factory=lambda: deque(maxlen=_KEPT))
    _best: float = 0.0

    def look(self, photo: Photo) -> Sharpness | None:
        """The sharpness with this photograph, another than the one before; None until there is something to judge."""
        last, self._last = self._last, photo
        if last is None or last is photo or last.shape != photo.shape:
            return None
        energy = gradient_energy(last, photo)
        if not energy > 0.0:
            return None
        self._recent.append(energy)
        now = float(np.median(self._recent))
        burnt = bool(np.mean(photo == np.iinfo(photo.dtype).max) > _BURNT)
        if not burnt and len(self._recent) == _KEPT:  # a hand in the picture is no best
            self._best = max(self._best, now)
        return Sharpness(now=now, best=max(self._best, now), burnt=burnt)
