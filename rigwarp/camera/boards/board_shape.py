"""How a real print differs from the one expected: aspect, squareness, and the bow of the hand-held board.

A board bowed by 0.8 mm, taken for flat, biases the focal length by nine of its claimed sigmas, and a print 0.05 % wider
than measured by two; photos from many sides tell both, so they are estimated along with the lens.
"""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig.model import RULER_MM, Target
from rigwarp.rig.print_lengths import READ_MM, SQUARENESS_RAD, printed_scale

SHAPE_TERMS = ("aspect", "squareness", "bow_x", "bow_y", "bow_xy")
"""Half the difference of the scales along x and y; half the shear (rad); bow in mm at half a diagonal, three ways."""

N_SHAPE = len(SHAPE_TERMS)


@dataclass(frozen=True, kw_only=True)
class SheetSigma:
    """How well the print is known before any photo is taken, 1-sigma; zero = exactly.

    Attributes
    ----------
    scale, scale_y : of target.scale's two factors; the second is None where it is as well known as the first.
        0.0005 is 0.1 mm on 200 mm: a steel rule read by eye.
    tied : correlation of the errors of both; a diagonal ties them.
    squareness : half the angle (rad) by which the print's axes miss a right angle.
    bow_mm : of the hand-held board, at half a diagonal from its centre.
    height_mm : of the printed surface over what it lies on: thickness of sheet and board, and how flat they lie.
    """

    scale: float
    squareness: float
    bow_mm: float
    height_mm: float
    scale_y: float | None = None
    tied: float = 0.0

    @property
    def mean_scale(self) -> float:
        """Of the mean of both scales."""
        return float(np.linalg.norm(self.printed[:2].sum(axis=0))) / 2.0

    @property
    def printed(self) -> Array:
        """(3, 3) both scales and squareness (see `print_bends`) by three independent errors of 1 sigma."""
        x, y = self.scale, self.scale if self.scale_y is None else self.scale_y
        apart = y * np.sqrt(1.0 - self.tied**2)
        return np.array([[x, 0.0, 0.0], [self.tied * y, apart, 0.0], [0.0, 0.0, self.squareness]])

    @property
    def shape(self) -> Array:
        """(5,) of the shape terms."""
        aspect = float(np.linalg.norm(self.printed[0] - self.printed[1])) / 2.0
        return np.array([aspect, self.squareness, self.bow_mm, self.bow_mm, self.bow_mm])


PLAIN_PRINT = SheetSigma(scale=READ_MM / RULER_MM, squareness=SQUARENESS_RAD, bow_mm=1.0, height_mm=0.05)
"""Paper from an office printer, measured with a steel rule, and glued onto something that looks flat."""

_THICKNESS_SHARE = 0.02
"""1-sigma of a board's thickness where its nominal one is given: 3 mm of board are 2.9 to 3.1 mm with the glue."""

EXACT_PRINT = SheetSigma(scale=0.0, squareness=0.0, bow_mm=0.0, height_mm=0.0)
"""A print without errors, as in a simulation."""


def sheet_sigma_of(target: Target, thickness_mm: float | None = None) -> SheetSigma:
    """A plain print on the table: thick boards are known less well than paper, long rulers better than short ones."""
    thickness_mm = target.thickness_mm if thickness_mm is None else thickness_mm
    height_mm = max(PLAIN_PRINT.height_mm, _THICKNESS_SHARE * thickness_mm)
    if target.along_x_mm:
        size_mm = (target.squares[0] * target.square_mm, target.squares[1] * target.square_mm)
        known = printed_scale(size_mm, target.along_x_mm, target.along_y_mm, target.diagonals_mm).covariance
        x, y = (float(sigma) for sigma in np.sqrt(np.diag(known)))
        return replace(PLAIN_PRINT, scale=x, scale_y=y, tied=float(known[0, 1]) / (x * y), height_mm=height_mm)
    x, y = (READ_MM / length for length in target.ruler_mm)
    return replace(PLAIN_PRINT, scale=x, scale_y=None if x == y else y, height_mm=height_mm)


def board_bends(points_mm: Array, size_mm: tuple[float, float], *, flat: bool) -> Array:
    """How corners in the board's own frame move per unit of each shape term.

    Parameters
    ----------
    points_mm : (N, 3) board frame, as expected, z = 0.
    size_mm : (width, height) of the pattern
    flat : True for the sheet on the table, which the table holds flat: no bow.

    Returns
    -------
    (N, 3, 5)
        Mean scale is left out: photos cannot tell it (it is the scale of everything).
    """
    from_centre = points_mm[:, :2] - np.array(size_mm) / 2.0
    x, y = from_centre.T
    bends = np.zeros((len(points_mm), 3, N_SHAPE))
    bends[:, 0, 0], bends[:, 1, 0] = x, -y
    bends[:, 0, 1], bends[:, 1, 1] = y, x
    if not flat:
        half_diagonal = np.hypot(*size_mm) / 2.0
        bends[:, 2, 2:] = np.stack([x * x, y * y, x * y], axis=-1) / half_diagonal**2
    return bends


def print_bends(points_mm: Array, size_mm: tuple[float, float]) -> Array:
    """(N, 2, 3) how corners (N, 3) of a sheet that lies flat move per unit of its x scale, y scale and squareness."""
    x, y = (points_mm[:, :2] - np.array(size_mm) / 2.0).T
    zero = np.zeros_like(x)
    return np.stack([np.stack([x, zero], axis=-1), np.stack([zero, y], axis=-1), np.stack([y, x], axis=-1)], axis=-1)
