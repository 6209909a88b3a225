"""Whether two photographs show the same picture: cell by cell, where the projector's light falls, against the noise."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, Photo

_CELL_PX = 8  # also the block of JPEG, whose noise is alike within one
_LIT_SIGMAS = 5.0  # a cell is lit when the test light changes it by that many standard deviations of its noise
_ROUNDING = 2.0 / 12.0  # code value squared: of a difference of two rounded values
_WORST_SHARE = 0.005  # of the lit cells decide: a torn picture differs in a band, which may be narrow
_LEAST_CELLS = 4
_AROUND = 5  # cells along each side whose noise is taken together
_SLACK = 3.0  # other pictures have other noise than the two test lights: shot noise, and what JPEG makes of stripes
_CLEAR = 4.0  # patterns differ by hundreds; a trace of one that hides in the noise of one pair may show in the next
_MOST_SLACK = 8.0  # beyond that, what differs all the time is no noise


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """What the test lights told: where light falls, and how much photographs of one picture differ.

    Attributes
    ----------
    lit : (rows, columns) cells that the projector's light reaches.
    noise : (2, rows, columns) mean squared difference of two photographs of the dark and of the bright test light.
    level : (2, rows, columns) mean values of these photographs.
    usual : the largest `difference` between photographs of one picture that was seen.
    ceiling : the largest that can pass for noise.
    """

    lit: BoolArray
    noise: Array
    level: Array
    usual: float
    ceiling: float

    def difference(self, one: Photo, other: Photo) -> float:
        """Mean squared difference of the most different lit cells, as a multiple of the noise; 1 on the average."""
        ratios = _cells(one, other)[self.lit] / self._noise_of(one, other)
        count = min(ratios.size, max(_LEAST_CELLS, int(_WORST_SHARE * ratios.size)))
        return float(np.partition(ratios, -count)[-count:].mean())

    def _noise_of(self, one: Photo, other: Photo) -> Array:
        """Of lit cells as bright as these: as that of counted electrons it grows in proportion to the light.

        A linear camera's white would hide a dark grey else, and its white in a longer exposure would be no noise.
        """
        (dark, bright), (low, high) = self.noise[:, self.lit], self.level[:, self.lit]
        seen = 0.5 * sum(cell_means(photo)[self.lit] for photo in (one, other))
        share = np.maximum(seen - low, 0.0) / np.maximum(high - low, 1e-9)
        return np.asarray(dark + (bright - dark) * np.where(bright > dark, share, np.minimum(share, 1.0)))

    def same(self, one: Photo, other: Photo) -> bool:
        """True when noise explains the difference of two photographs."""
        return self.within_noise(self.difference(one, other))

    def clearly_differ(self, one: Photo, other: Photo) -> bool:
        """True when the two show different pictures, not one picture with a trace of another."""
        return self.difference(one, other) > _CLEAR * _SLACK * self.usual

    def within_noise(self, difference: float) -> bool:
        """True when noise explains a difference."""
        return difference <= _SLACK * self.usual

    def may_be_noise(self, differences: Sequence[float]) -> bool:
        """True for differences between photographs of a picture at rest that are larger than usual, and all alike."""
        return max(differences) <= min(2.0 * min(differences), self.ceiling)

    def used_to(self, difference: float) -> "Agreement":
        """The same with a larger usual difference."""
        return replace(self, usual=max(self.usual, difference))


def learn_agreement(dark: Sequence[Photo], bright: Sequence[Photo]) -> Agreement:
    """From photographs of two uniform test lights at rest, at least two of each.

    Raises
    ------
    MeasurementError
        If the camera sees hardly any difference between the two.
    """
    pairs = [pair for photos in (dark, bright) for pair in pairwise(photos)]
    noise = np.stack([_around(np.mean([_cells(*p) for p in pairwise(photos)], axis=0)) for photos in (dark, bright)])
    noise = np.maximum(noise, np.maximum(_ROUNDING, np.median(noise, axis=(1, 2), keepdims=True)))
    lit = _cells(dark[-1], bright[-1]) > (_LIT_SIGMAS**2) * noise.max(axis=0)
    if np.count_nonzero(lit) < _LEAST_CELLS:
        raise MeasurementError(
            f"the camera sees hardly any change when the projector's light changes ({np.count_nonzero(lit)} places): "
            "check that the projector is on, that this window is on it, that the camera sees the table, the exposure"
        )
    level = np.stack([cell_means(photos[-1]) for photos in (dark, bright)])
    first = Agreement(lit=lit, noise=noise, level=level, usual=1.0, ceiling=1.0)
    usual = max(first.difference(*pair) for pair in pairs)
    return replace(first, usual=usual, ceiling=_SLACK * _MOST_SLACK * usual)


def _around(noise: Array) -> Array:
    """The mean over the cells around each: of so few pairs a cell knows little itself.

    JPEG at a quality of 60 hides noise in most cells and makes steps of the others, here one time and there the next.
    """
    return np.asarray(cv2.blur(noise, (_AROUND, _AROUND)))


def _cells(one: Photo, other: Photo) -> Array:
    """Mean squared difference per cell, (rows, columns)."""
    difference: NDArray[np.float32] = one.astype(np.float32) - other.astype(np.float32)
    return cell_means(difference**2)


def cell_means(picture: NDArray[Any]) -> Array:
    """Mean of each whole cell of 8 x 8 pixels of (H, W) or (H, W, 3); of the whole picture where it is smaller."""
    rows, columns = (max(1, n // _CELL_PX) for n in picture.shape[:2])
    inner = picture[: rows * _CELL_PX, : columns * _CELL_PX].astype(np.float32, copy=False)
    return np.asarray(cv2.resize(inner, (columns, rows), interpolation=cv2.INTER_AREA), float)
