"""Light of the room that changed while the grey levels were photographed: no stripes tell by how much."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.light_levels import usual_response
from rigwarp.geometry import Array
from rigwarp.geometry.robust import SIGMA_PER_MEDIAN, huber_weights

_SUDDEN = 0.025  # of the contrast: a step as large bends the response by more than it is known
_BLOCK = 8  # pixels along each side
_LEAST_SPREAD = 0.05  # of the contrast between places
_LIT = 0.3  # of the usual contrast, or of the usual light of black
_FEWEST_PLACES = 200
_PASSES = 4


@dataclass(frozen=True, kw_only=True)
class LevelChange:
    """Light that was added between two uniform frames: row of the first one that has it, share of usual contrast."""

    row: int
    added: float

    def in_words(self, labels: Sequence[str]) -> str:
        """What changed, and when; `labels` of the photographs."""
        return (
            f"the room's light changed between photographs {labels[self.row - 1]} and {labels[self.row]} by "
            f"{100 * abs(self.added):.0f} % of projected white (sunshine, a lamp)"
        )


def find_change_of_levels(photos: Sequence[NDArray[np.unsignedinteger]]) -> LevelChange | None:
    """The largest change of light from one uniform frame to the next.

    Light of frame k over that of the first one is a share of the contrast at every place, however bright the place:
    what dim places have beyond it was added. None where that hardly changes from frame to frame.

    Parameters
    ----------
    photos : (H, W) of the uniform frames in the order they were taken, black first and white last.
    """
    table = usual_response(int(np.iinfo(photos[0].dtype).max))
    light = np.stack([_means(table[photo]) for photo in photos])
    burnt = np.max([_means(photo == len(table) - 1) for photo in photos], axis=0)
    light = light[:, burnt == 0.0]
    if light.shape[1] < _FEWEST_PLACES:
        return None
    black, contrast = light[0], light[-1] - light[0]
    lit = contrast > _LIT * np.quantile(contrast, 0.95)
    # where only the room's light is, the table still shows what is added to it
    seen = lit | (black > _LIT * np.median(black[lit]))
    usual = float(np.median(contrast[lit]))
    if np.ptp(np.quantile(contrast[seen], [0.05, 0.95])) < _LEAST_SPREAD * usual:
        return None  # where all places are equally bright, light added and more of the projector's look alike
    basis = np.column_stack([contrast[seen] / usual, np.ones(np.count_nonzero(seen))])
    added = np.array([_robust_line(basis, row[seen] - black[seen])[1] / usual for row in light])
    steps = np.diff(added)
    largest = int(np.argmax(np.abs(steps)))
    step = float(steps[largest])
    return LevelChange(row=largest + 1, added=step) if abs(step) > _SUDDEN else None


def _means(image: NDArray[Any]) -> Array:
    """(n,) means over blocks: noise of single pixels would pass for contrast."""
    height, width = (size // _BLOCK for size in image.shape)
    blocks = image[: height * _BLOCK, : width * _BLOCK].reshape(height, _BLOCK, width, _BLOCK)
    return np.asarray(blocks.mean(axis=(1, 3)).ravel())


def _robust_line(basis: Array, values: Array) -> Array:
    """Least squares in which outliers, such as a shadow that passes, count little."""
    root = np.ones(len(values))
    for _ in range(_PASSES):
        found = np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0]
        off = np.abs(values - basis @ found)
        root = np.sqrt(huber_weights(off / max(SIGMA_PER_MEDIAN * float(np.median(off)), 1e-9)))
    return np.asarray(found)
