"""How large a sheet was printed, by lengths of its pattern read off a steel rule: sides and, better, diagonals, too.

Least squares of all readings. Each is off by its own reading error, so that several tell more than one; what the rule
itself is off is common to them all.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rigwarp.geometry import Array

READ_MM: Final = 0.1
"""1-sigma of a length by a steel rule, read by eye at both ends."""
SQUARENESS_RAD: Final = 3e-4
"""1-sigma of half the angle by which a print's axes miss a right angle."""
_RULE = 5e-5  # 1-sigma of an engraved steel rule itself, share: 25 um in 500 mm
_FARTHEST = 5.0  # sigmas: a reading that others contradict by more was misread


@dataclass(frozen=True, kw_only=True)
class PrintedScale:
    """Measured / nominal along x and y (2,), its covariance (2, 2), and how far each reading is from the others.

    `off_sigmas` (N,) are in the order along x, along y, diagonals: a reading minus what the others leave of it, over
    the 1-sigma of that; 0 where nothing else tells it.
    """

    scale: Array
    covariance: Array
    off_sigmas: Array

    @property
    def misread(self) -> int | None:
        """The reading that the others contradict most, if they do."""
        worst = int(np.argmax(np.abs(self.off_sigmas)))
        return worst if abs(self.off_sigmas[worst]) > _FARTHEST else None


def printed_scale(
    size_mm: tuple[float, float],
    along_x_mm: Sequence[float],
    along_y_mm: Sequence[float],
    diagonals_mm: Sequence[float],
) -> PrintedScale:
    """Both scales of a print from lengths of its whole pattern, nominal size (width, height).

    Diagonals in turn, the falling and the rising one: a print that is not square makes one longer, the other shorter.
    """
    width, height = size_mm
    diagonal = np.hypot(width, height)
    side_x, side_y = [width, 0.0, 0.0], [0.0, height, 0.0]
    slanted = np.array([width**2, height**2, 2.0 * width * height]) / diagonal
    rows = [side_x] * len(along_x_mm) + [side_y] * len(along_y_mm)
    rows += [(slanted * [1.0, 1.0, (-1.0) ** i]).tolist() for i in range(len(diagonals_mm))]
    slope = np.array(rows) / READ_MM
    nominal = [width] * len(along_x_mm) + [height] * len(along_y_mm) + [float(diagonal)] * len(diagonals_mm)
    grown = (np.array([*along_x_mm, *along_y_mm, *diagonals_mm]) - nominal) / READ_MM
    covariance = np.linalg.inv(slope.T @ slope + np.diag([0.0, 0.0, SQUARENESS_RAD**-2]))
    told = covariance @ slope.T @ grown
    own = 1.0 - np.einsum("ni,ij,nj->n", slope, covariance, slope)
    off = grown - slope @ told
    alone = own < 1e-6
    return PrintedScale(
        scale=1.0 + told[:2],
        covariance=np.asarray(covariance[:2, :2] + _RULE**2, float),
        off_sigmas=np.where(alone, 0.0, off / np.sqrt(np.where(alone, 1.0, own))),
    )
