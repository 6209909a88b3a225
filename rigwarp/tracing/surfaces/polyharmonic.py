"""The smoothest surface through few vertices: what a coarse export of a strongly bent mirror still tells.

A least-squares spline needs several vertices in each cell, and cells that are small against the mirror's bends. Where
there are too few for that, the interpolant by the kernel -r^5 (which bends no more than the vertices ask for; Duchon
1977) gets as much from them as a surface with jumps in its third derivative, as CAD splines are, lets out. As a
Gaussian process (kriging; Cressie 1993, Statistics for Spatial Data, 3.4) it knows its own error, too: the kernel's
scale is such that vertices, each foretold by all others, miss by as much as it says.

Tiles of some hundred vertices are solved one by one and blended smoothly.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import linalg
from scipy.interpolate import BSpline

from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.polynomials import plane_powers, plane_slopes
from rigwarp.tracing.surfaces.spline_solve import DEGREE

FEWEST, MOST = 60, 15_000
"""Numbers of vertices for which this is worth while and quick."""
_TILE = 400  # vertices in a tile's own part
_MARGIN = 0.35  # of a tile's size, that it looks beyond: two thirds of its vertices are its neighbours', too
_ASKED = 400  # vertices that say how large the noise is
_CLOSEST = 0.1  # of the mean spacing
_NOISE = np.logspace(-12, -3, 7)  # in units of the kernel, tried in turn; with less, rounding in the solution counts
_CELLS_PER_SPACING = 1.4  # of the spline that stands for it: its own error stays below a third
_NODES_PER_CELL = 2
_POWER, _SIGN = 5, -1.0
_ORDER, _TERMS = 2, 6  # of the polynomial beside the kernel
_AT_ONCE = 2_000_000  # pairs of points


@dataclass(frozen=True, kw_only=True)
class ScatteredFit:
    """A spline that stands for the interpolant, and the 1-sigma of its slopes (nx, ny) at `nodes_mm`, x and y."""

    spline: HeightSpline
    nodes_mm: tuple[Array, Array]
    slope_sigma: Array


def fit_scattered(points_mm: Array) -> ScatteredFit:
    """The smoothest height field through (N, 3) points; LinAlgError where a tile's lie on two lines or fewer."""
    low, high = points_mm[:, :2].min(axis=0), points_mm[:, :2].max(axis=0)
    size = float((high - low).max())
    spacing = np.sqrt(np.prod(high - low) / len(points_mm))
    cells = np.maximum(np.ceil((high - low) / spacing * _CELLS_PER_SPACING), 2.0)
    cell = (high - low) / cells
    low, high, cells = low - cell, high + cell, cells + 2
    nodes = [np.linspace(a, b, int(n) * _NODES_PER_CELL + 1) for a, b, n in zip(low, high, cells, strict=True)]
    coarse = [along[::_NODES_PER_CELL] for along in nodes]
    # one point of each cell of a grid: the slope between two that lie closer would be that of their rounding
    own_cell = np.floor(points_mm[:, :2] / (_CLOSEST * spacing)).astype(np.int64)
    unit = points_mm[np.sort(np.unique(own_cell, axis=0, return_index=True)[1])] / size
    # variance of the vertices' noise in units of the kernel: that with which they foretell each other best
    away = np.sum((unit[:, :2] - np.median(unit[:, :2], axis=0)) ** 2, axis=1)
    asked = unit[np.argsort(away, kind="stable")[:_ASKED]]
    noise = min(_NOISE.tolist(), key=lambda tried: float(np.sum(_System.of(asked, tried).left_out ** 2)))
    tiles = [_Tile.of(box, unit, noise) for box in _boxes(unit[:, :2])]
    height = _blended(tiles, [along / size for along in nodes], lambda tile, at: tile.height(at)) * size
    variance = _blended(tiles, [along / size for along in coarse], lambda tile, at: tile.slope_variance(at))
    flat = HeightSpline.over(
        ((low[0], high[0]), (low[1], high[1])), cells=(int(cells[0]), int(cells[1])), degree=DEGREE
    )
    # least squares on the grid of nodes, one axis after the other
    x, y = (
        np.linalg.pinv(BSpline(knots, np.eye(count), DEGREE)(along))
        for knots, count, along in zip(flat.knots, flat.coefficients_mm.shape, nodes, strict=True)
    )
    return ScatteredFit(
        spline=flat.with_coefficients(x @ height @ y.T),
        nodes_mm=(coarse[0], coarse[1]),
        slope_sigma=np.sqrt(np.maximum(variance, 0.0)),
    )


def _boxes(places: Array) -> Iterator[tuple[Array, Array]]:
    """Boxes, lower and upper corner, that share out all points (N, 2), each some hundred of them."""
    waiting = [(places, places.min(axis=0), places.max(axis=0))]
    while waiting:
        points, low, high = waiting.pop()
        if len(points) <= _TILE:
            yield low, high
            continue
        axis = int(np.argmax(high - low))
        middle = float(np.median(points[:, axis]))
        below = points[:, axis] <= middle
        for part, side in ((points[below], high), (points[~below], low)):
            corner = side.copy()
            corner[axis] = middle
            waiting.append((part, low, corner) if side is high else (part, corner, high))


@dataclass(frozen=True, kw_only=True)
class _System:
    """The kriging system of some points: kernel beside polynomial; `inverse` (n + 6, n + 6), `weights` (n + 6,)."""

    inverse: Array
    weights: Array

    @classmethod
    def of(cls, points: Array, noise: float) -> "_System":
        """LinAlgError where points lie on a line or two, which tell no curvature across them."""
        n = len(points)
        system = np.zeros((n + _TERMS, n + _TERMS))
        system[:n, :n] = _kernel(points[:, :2], points[:, :2])
        system[:n, :n].flat[:: n + 1] += noise
        system[:n, n:] = plane_powers(points[:, :2], _ORDER)
        system[n:, :n] = system[:n, n:].T
        if np.linalg.matrix_rank(system[:n, n:]) < _TERMS:
            raise np.linalg.LinAlgError("the points do not tell a quadratic")
        inverse = linalg.inv(system, check_finite=False)
        right = np.append(points[:, 2], np.zeros(_TERMS))
        weights = inverse @ right
        return cls(inverse=inverse, weights=weights + inverse @ (right - system @ weights))  # refined once

    @property
    def left_out(self) -> Array:
        """(n,) how far each point lies from the surface through all others (Dubrule 1983, Math. Geol. 15, 687)."""
        n = len(self.weights) - _TERMS
        return np.asarray(self.weights[:n] / np.diagonal(self.inverse)[:n])

    @property
    def scale(self) -> float:
        """Of the kernel, so that points left out miss by as much as it foretells: most those in gaps and at the rim."""
        n = len(self.weights) - _TERMS
        return float(np.sum(self.left_out**2) / np.sum(1.0 / np.diagonal(self.inverse)[:n]))


@dataclass(frozen=True, kw_only=True)
class _Tile:
    """The interpolant through the points in and around a box, from its middle, all in units of the face's size."""

    low: Array
    high: Array
    places: Array
    system: _System

    @classmethod
    def of(cls, box: tuple[Array, Array], points: Array, noise: float) -> "_Tile":
        low, high = box
        margin = np.maximum(_MARGIN * (high - low), 0.5 * _MARGIN * (high - low).max())
        low, high = low - margin, high + margin
        near = points[((points[:, :2] > low) & (points[:, :2] < high)).all(axis=1)]
        local = near - np.append(0.5 * (low + high), 0.0)
        return cls(low=low, high=high, places=local[:, :2], system=_System.of(local, noise))

    def height(self, at: Array) -> Array:
        """(K,) at places (K, 2)."""
        local = at - 0.5 * (self.low + self.high)
        terms = np.concatenate([_kernel(local, self.places), plane_powers(local, _ORDER)], axis=1)
        return np.asarray(terms @ self.system.weights)

    def slope_variance(self, at: Array) -> Array:
        """(K,) mean of both slopes' variances at places (K, 2)."""
        local = at - 0.5 * (self.low + self.high)
        away = local[:, None] - self.places
        slope = _SIGN * _POWER * np.sum(away * away, axis=-1) ** (0.5 * _POWER - 1.0)
        total = np.zeros(len(at))
        for axis, polynomial in enumerate(plane_slopes(local, _ORDER)):
            terms = np.concatenate([slope * away[..., axis], polynomial], axis=1)
            total -= 0.5 * np.einsum("ki,ki->k", terms @ self.system.inverse, terms)
        return self.system.scale * total

    def share(self, at: Array) -> Array:
        """(K,) weight at places (K, 2): falls to 0 at the tile's border with two continuous derivatives."""
        along = 2.0 * (at - self.low) / (self.high - self.low) - 1.0
        return np.asarray(np.prod(np.maximum(1.0 - along * along, 0.0) ** 3, axis=1))


def _blended(tiles: list[_Tile], nodes: list[Array], value: Callable[[_Tile, Array], Array]) -> Array:
    """(nx, ny) values of the tiles at nodes, each where it has a share."""
    total, shares = (np.zeros([len(along) for along in nodes]) for _ in range(2))
    for tile in tiles:
        i, k = (np.flatnonzero((n > a) & (n < b)) for n, a, b in zip(nodes, tile.low, tile.high, strict=True))
        step = max(1, _AT_ONCE // (len(tile.places) * max(len(k), 1)))
        for begin in range(0, len(i), step):
            block = np.ix_(i[begin : begin + step], k)
            at = np.stack(np.meshgrid(nodes[0][block[0][:, 0]], nodes[1][k], indexing="ij"), axis=-1).reshape(-1, 2)
            share = tile.share(at)
            total[block] += (share * value(tile, at)).reshape(total[block].shape)
            shares[block] += share.reshape(total[block].shape)
    return total / shares


def _kernel(one: Array, other: Array) -> Array:
    """(N, M) of places (N, 2) and (M, 2): -r^5."""
    r2 = sum((one[:, None, axis] - other[None, :, axis]) ** 2 for axis in (0, 1))
    return np.asarray(_SIGN * r2 ** (0.5 * _POWER))
