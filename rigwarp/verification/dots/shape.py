"""What the picture's shape errors amount to in plain terms: scale, stretch, skew, turn, and how straight lines are."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array

_FEWEST_POINTS = 3
_FEWEST_ON_LINE = 4  # two points are always straight and three hardly tell
_FAMILIES = ("rows", "columns", "diagonals up", "diagonals down")


@dataclass(frozen=True, kw_only=True)
class AffineShape:
    """measured = A wanted + shift, A taken apart.

    Attributes
    ----------
    scale : geometric mean of the two stretches, 1 = right size.
    anisotropy : larger stretch over smaller one, minus 1.
    stretch_rad : direction of the larger stretch on the table, 0 .. pi from x; means nothing without anisotropy.
    shear_rad : by how much the angle between the pictures of x and y falls short of a right one.
    rotation_rad : of the rigid part, counter-clockwise.
    shift_mm : (2,) of the wanted points' middle.
    """

    scale: float
    anisotropy: float
    stretch_rad: float
    shear_rad: float
    rotation_rad: float
    shift_mm: Array


@dataclass(frozen=True, kw_only=True)
class LineFigure:
    """One line of dots: family, how many dots, length, and the largest distance of one to the least-squares line."""

    family: str
    n: int
    length_mm: float
    off_mm: float

    @property
    def off_percent(self) -> float:
        """The same as per cent of the length."""
        return 100.0 * self.off_mm / self.length_mm


def fit_affine_shape(wanted_mm: Array, measured_mm: Array) -> AffineShape:
    """Least-squares affine map wanted -> measured of (n, 2) points, taken apart by singular values.

    Raises
    ------
    MeasurementError
        When there are fewer than three points or they lie on one line.

    Notes
    -----
    A = U diag(s1, s2) V^T: the stretches are s1 >= s2, the rotation is U V^T (polar decomposition), and the shear
    follows from the angle between A's columns.
    """
    middle = wanted_mm.mean(axis=0)
    centred = wanted_mm - middle
    if len(wanted_mm) < _FEWEST_POINTS or np.linalg.matrix_rank(centred, tol=1e-6 * np.abs(centred).max()) < 2:
        raise MeasurementError("the dots seen lie on one line: they do not tell scale and turn of the picture")
    solved, *_ = np.linalg.lstsq(centred, measured_mm - measured_mm.mean(axis=0), rcond=None)
    A = solved.T
    U, (large, small), Vt = np.linalg.svd(A)
    R = U @ Vt
    along_x, along_y = A.T / np.linalg.norm(A, axis=0)[:, None]
    return AffineShape(
        scale=float(np.sqrt(large * small)),
        anisotropy=float(large / small - 1.0) if small > 0 else float("inf"),
        stretch_rad=float(np.arctan2(U[1, 0], U[0, 0]) % np.pi),
        shear_rad=float(np.arcsin(np.clip(along_x @ along_y, -1.0, 1.0))),
        rotation_rad=float(np.arctan2(R[1, 0], R[0, 0])),
        shift_mm=measured_mm.mean(axis=0) - middle,
    )


def straightness(grid: NDArray[np.int32], measured_mm: Array) -> list[LineFigure]:
    """How straight the grid's lines are on the table.

    Parameters
    ----------
    grid : (n, 2) column and row of each dot.
    measured_mm : (n, 2) where it was seen.

    Returns
    -------
    Rows, columns and both families of diagonals; lines of fewer than four dots are left out.
    """
    column, row = grid.T
    numbers = (row, column, row - column, row + column)
    return [
        _line(family, measured_mm[number == one])
        for family, number in zip(_FAMILIES, numbers, strict=True)
        for one in np.unique(number)
        if np.count_nonzero(number == one) >= _FEWEST_ON_LINE
    ]


def worst_line(lines: Sequence[LineFigure]) -> LineFigure | None:
    """The least straight one, by its largest distance in millimetres."""
    return max(lines, key=lambda line: line.off_mm, default=None)


def _line(family: str, points_mm: Array) -> LineFigure:
    """Distances to the line through the points' middle along their principal direction: the total-least-squares one."""
    centred = points_mm - points_mm.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    along = centred @ axes[0]
    return LineFigure(
        family=family,
        n=len(points_mm),
        length_mm=float(np.ptp(along)),
        off_mm=float(np.abs(centred @ axes[1]).max()),
    )
