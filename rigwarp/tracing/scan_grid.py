"""Pixel grids and local interpolation on them."""

import numpy as np
from scipy import sparse

from rigwarp.geometry import Array

_STENCIL = 6  # points of the Lagrange interpolation: fifth order, 1e-6 mm on 8 px cells of a smooth mirror


def grid_axis(count: int, step_px: float) -> Array:
    """Evenly spaced positions from pixel 0 to the last one or just past it."""
    cells = int(np.ceil((count - 1) / step_px))
    return np.linspace(0.0, cells * step_px, cells + 1)


def pixel_grid(resolution: tuple[int, int], *, step_px: float = 1.0) -> Array:
    """(rows, columns, 2) pixel positions u, v that cover the picture."""
    u, v = (grid_axis(n, step_px) for n in resolution)
    return np.stack(np.meshgrid(u, v), axis=-1)


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
