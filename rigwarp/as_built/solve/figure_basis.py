"""The figure of all lit zones as one vector of B-spline coefficients, with its prior."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline

DEGREE = 5
CELL_MM = 2.4  # finest detail worth a coefficient: about the size of the projector's pupil seen on the mirror
_MOST_COEFFICIENTS = 2600  # dense normal equations of this size take a tenth of a second
_SAMPLES_EACH, _FEWEST_COEFFICIENTS = 4, 200  # finer than the samples there is nothing to tell
_AMPLITUDE_MM = 0.3  # 1-sigma of any one smooth form error: a radius off by a quarter on a shallow 90 mm mirror


@dataclass(frozen=True, kw_only=True)
class FigureBasis:
    """One spline per zone, each in its surface's own frame; coefficients (K,) mm, zone after zone.

    Attributes
    ----------
    zones : zone numbers.
    splines : a flat spline for each.
    """

    zones: tuple[int, ...]
    splines: tuple[HeightSpline, ...]

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return sum(s.coefficients_mm.size for s in self.splines)

    @property
    def starts(self) -> tuple[int, ...]:
        """Where each zone's coefficients begin."""
        sizes = [s.coefficients_mm.size for s in self.splines]
        return tuple(int(n) for n in np.cumsum([0, *sizes])[:-1])

    def rows(self, local_mm: Array, zone: NDArray[np.integer], *, nux: int = 0, nuy: int = 0) -> sparse.csr_matrix:
        """(n, K) basis values (or derivatives) at points (n, 2) of their zones' frames."""
        order, parts = [], []
        for number, spline, start in zip(self.zones, self.splines, self.starts, strict=True):
            here = np.flatnonzero(zone == number)
            block = spline.design_matrix(local_mm[here, 0], local_mm[here, 1], nux=nux, nuy=nuy)
            indices = block.indices + start
            parts.append(sparse.csr_matrix((block.data, indices, block.indptr), shape=(len(here), self.size)))
            order.append(here)
        back = np.argsort(np.concatenate(order))
        return sparse.csr_matrix(sparse.vstack(parts).tocsr()[back])

    def amplitude_precision(self) -> float:
        """Prior precision of each coefficient (1/mm^2) that gives any single form term a 1-sigma of 0.3 mm rms."""
        return 1.0 / (self.size * _AMPLITUDE_MM**2)

    def roughness(self) -> sparse.csr_matrix:
        """(K, K) matrix R with c^T R c = integral of the squared third derivatives, mm^-2.

        Third differences leave power and astigmatism free: springback and clamping are smooth but not small.
        """
        return sparse.csr_matrix(sparse.block_diag([_roughness(s) for s in self.splines]))


def figure_basis(local_mm: Array, zone: NDArray[np.integer], *, cell_mm: float) -> FigureBasis:
    """Splines over the bounding boxes of hits (N, 2), surface frames, of zones (N,).

    Cells are larger than asked for where there would be too many of them.
    """
    boxes = {}
    for number in np.unique(zone):
        here = local_mm[zone == number]
        boxes[int(number)] = (here.min(axis=0), here.max(axis=0))
    cell = cell_mm
    most = min(_MOST_COEFFICIENTS, max(len(local_mm) // _SAMPLES_EACH, _FEWEST_COEFFICIENTS))
    while sum(np.prod(_cells(box, cell) + DEGREE) for box in boxes.values()) > most:
        cell *= 1.05
    splines = []
    for low, high in boxes.values():
        cells = _cells((low, high), cell)
        centre = 0.5 * (low + high)
        half = 0.5 * cells * cell
        bounds = tuple((float(c - h), float(c + h)) for c, h in zip(centre, half, strict=True))
        splines.append(HeightSpline.over((bounds[0], bounds[1]), cells=(int(cells[0]), int(cells[1])), degree=DEGREE))
    return FigureBasis(zones=tuple(boxes), splines=tuple(splines))


def _cells(box: tuple[Array, Array], cell_mm: float) -> NDArray[np.int64]:
    return np.maximum(np.ceil((box[1] - box[0]) / cell_mm + 0.5), 1).astype(np.int64)


def _roughness(spline: HeightSpline) -> sparse.csr_matrix:
    nx, ny = spline.coefficients_mm.shape
    hx, hy = spline.cell_mm

    def difference(n: int, order: int) -> sparse.csr_matrix:
        return sparse.csr_matrix(np.diff(np.eye(n), n=order, axis=0))

    rows = [
        np.sqrt(binomial * hx * hy) / (hx**i * hy**j) * sparse.kron(difference(nx, i), difference(ny, j))
        for i, j, binomial in ((3, 0, 1.0), (2, 1, 3.0), (1, 2, 3.0), (0, 3, 1.0))
    ]
    stacked = sparse.vstack(rows)
    return sparse.csr_matrix(stacked.T @ stacked)
