"""Pixel grids and local interpolation on them."""

import numpy as np
from scipy import sparse

from rigwarp.geometry import Array, BoolArray

_STENCIL = 6  # points of the Lagrange interpolation: fifth order, 1e-6 mm on 8 px cells of a smooth mirror
_NODES_ACROSS = 160  # a grid of as many cells follows any mirror that a picture survives
_COARSEST_PX = 8
_FINE_PICTURE_PX = 1920  # where a picture is twice as wide, its pixels are half as large


def usual_step_px(resolution: tuple[int, int], *, nodes_across: int = _NODES_ACROSS) -> int:
    """Spacing of a grid that is fine against the mirror, whatever the picture's resolution."""
    return int(np.clip(max(resolution) // nodes_across, 1, _COARSEST_PX))


def fineness(resolution: tuple[int, ...]) -> int:
    """How many times as fine pixels are as those of 1080p: a mirror does not bend more finely with them."""
    return max(1, round(max(resolution) / _FINE_PICTURE_PX))


def grid_axis(count: int, step_px: float) -> Array:
    """Evenly spaced positions from pixel 0 to the last one or just past it."""
    cells = int(np.ceil((count - 1) / step_px))
    return np.linspace(0.0, cells * step_px, cells + 1)


def pixel_grid(resolution: tuple[int, int], *, step_px: float = 1.0) -> Array:
    """(rows, columns, 2) pixel positions u, v that cover the picture."""
    u, v = (grid_axis(n, step_px) for n in resolution)
    return np.stack(np.meshgrid(u, v), axis=-1)


class GridSpread:
    """From values on a coarse grid of pixels to all pixels, by local Lagrange interpolation."""

    def __init__(self, resolution: tuple[int, int], *, step_px: int) -> None:
        self.nodes_px = pixel_grid(resolution, step_px=step_px)
        self._across, self._down = (
            interpolation_matrix(grid_axis(n, step_px), np.arange(float(n))) for n in resolution
        )
        self.width = resolution[0]
        self._plain = step_px == 1

    def dense(self, values: Array) -> Array:
        """(nodes,) values to (H * W,), both row by row; NaN only where the stencil holds a NaN."""
        return self.down(self.across(values), slice(0, self._down.shape[0]))

    def across(self, values: Array) -> Array:
        """(nodes,) values to (rows of nodes, W): the half of `dense` that all its rows share."""
        coarse = values.reshape(self.nodes_px.shape[:2])
        return coarse if self._plain else np.ascontiguousarray((self._across @ coarse.T).T)

    def down(self, across: Array, rows: slice) -> Array:
        """The other half, for some of the H rows."""
        if self._plain:
            return across[rows].ravel()
        down = self._down[rows]
        near = slice(down.indices.min(), down.indices.max() + 1)  # few of the rows of nodes
        return np.asarray(down[:, near] @ across[near]).ravel()

    def partly_known(self, values: Array) -> BoolArray:
        """(H * W,) where the stencil holds both NaN and numbers."""
        known = np.isfinite(values).reshape(self.nodes_px.shape[:2])
        if self._plain or known.all():
            return np.zeros(self._down.shape[0] * self._across.shape[0], bool)
        across, down = _members(self._across), _members(self._down)
        held = np.asarray((across @ (down @ known.astype(float)).T).T)
        whole = np.asarray((across @ (down @ np.ones(known.shape)).T).T)
        return ((held > 0.5) & (held < whole - 0.5)).ravel()


def _members(weights: sparse.csr_matrix) -> sparse.csr_matrix:
    """One for each node of a stencil, weights of zero included: zero times NaN is NaN."""
    return sparse.csr_matrix((np.ones_like(weights.data), weights.indices, weights.indptr), shape=weights.shape)


def interpolation_matrix(nodes: Array, targets: Array) -> sparse.csr_matrix:
    """(targets, nodes) matrix of local Lagrange interpolation on evenly spaced nodes."""
    size = min(_STENCIL, len(nodes))
    step = nodes[1] - nodes[0]
    s = (targets - nodes[0]) / step
    first = np.clip(np.floor(s).astype(int) - size // 2 + 1, 0, len(nodes) - size)
    local = s - first
    weights = np.ones((len(targets), size))
    for i in range(size):
        for j in range(size):
            if i != j:
                weights[:, i] *= (local - j) / (i - j)
    columns = first[:, None] + np.arange(size)
    rows = np.arange(len(targets) + 1) * size
    return sparse.csr_matrix((weights.ravel(), columns.ravel(), rows), shape=(len(targets), len(nodes)))
