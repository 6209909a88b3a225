"""A regular ripple followed as what it is: a wave whose amplitude and phase vary slowly, tile by tile.

In each tile of `ripple_search` that has a line at the frequency k, the samples' residuals are fitted by

    e(p) cos(2 pi k . p) + f(p) sin(2 pi k . p),        e, f quadratic polynomials of the place p,

along x and along y: 24 unknowns from thousands of samples, so that what is no ripple (dents, noise that neighbours
share) hardly enters. A tile is used only if its wave predicts held-out blocks better than none does. Neighbouring tiles
are blended by their Hann windows.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.table_map.ripple_search import Lines, TileGrid

_BLOCK_PX = 12.0  # one block in eight is held out, spread like a knight's moves
_ENVELOPE, _FORM = 2, 3  # orders of polynomials
_STRAY = 5.0  # times the usual distance: an outlier
_CLEAR = 3.0  # times what held-out blocks lose by the wave, others must gain: chance gives 1
_STIFF = 3e-4  # of the mean of the normal matrix' diagonal: a tile that is nearly empty tells not all
_FEWEST_BESIDE = 2  # tiles with a line, for one that shows none itself
_FEWEST_SAMPLES = 30


@dataclass(frozen=True, kw_only=True)
class TileWave:
    """A wave about the middle of a tile.

    Attributes
    ----------
    frequency : (2,) cycles per pixel.
    coefficients_mm : (12, 2) of e, then of f.
    envelope_mm2 : (6, 6) their covariance per axis, mean over the phase.
    """

    frequency: Array
    coefficients_mm: Array
    envelope_mm2: Array

    def mean_square_mm2(self) -> float:
        """Per axis, at the tile's middle."""
        e, f = self.coefficients_mm[0], self.coefficients_mm[len(self.coefficients_mm) // 2]
        return float(np.mean(e**2 + f**2) / 2.0)


@dataclass(frozen=True, kw_only=True)
class Waves:
    """One wave over one zone.

    Attributes
    ----------
    grid : of the tiles.
    tiles : the wave of each tile that has one, by row and column.
    reached : (n, m) tiles with samples.
    """

    grid: TileGrid
    tiles: dict[tuple[int, int], TileWave]
    reached: BoolArray

    def value(self, pixels_px: Array) -> Array:
        """(N, 2) mm at (N, 2) pixels."""
        result = np.zeros(pixels_px.shape)
        for at, here, window in _windows(self.grid, pixels_px, self.tiles):
            tile = self.tiles[at]
            basis = _wave(_place(self.grid, at, pixels_px[here]), tile.frequency, self.grid)
            result[here] += window[:, None] * (basis @ tile.coefficients_mm)
        return result / self._blend(pixels_px)[:, None]

    def variance(self, pixels_px: Array) -> Array:
        """(N,) mm^2 per axis that the samples' noise leaves on it."""
        result = np.zeros(len(pixels_px))
        for at, here, window in _windows(self.grid, pixels_px, self.tiles):
            envelope = _powers(_place(self.grid, at, pixels_px[here]) / self.grid.hop_px, _ENVELOPE)
            result[here] += window * np.einsum("ni,ij,nj->n", envelope, self.tiles[at].envelope_mm2, envelope)
        return result / self._blend(pixels_px)

    def blended(self, by_tile: Array, pixels_px: Array) -> Array:
        """(N,) values (n, m) of tiles, blended like their waves."""
        return self.grid.interpolated(by_tile, pixels_px) / self._blend(pixels_px)

    def _blend(self, pixels_px: Array) -> Array:
        """(N,) sum of the windows of the tiles with samples: what the others would add is theirs."""
        return np.asarray(np.maximum(self.grid.interpolated(self.reached.astype(float), pixels_px), 1e-3))


def held_blocks(pixels_px: Array) -> BoolArray:
    """One block in eight."""
    column, row = np.floor(pixels_px / _BLOCK_PX).astype(int).T
    return np.asarray((3 * column + row) % 8 == 0)


def fit_waves(lines: Lines, pixels_px: Array, values_mm: Array, sigma_mm: Array, *, beside_form: bool) -> Waves | None:
    """Fit the wave of every tile that has a line, and of their neighbours; None if no tile predicts better for it.

    Parameters
    ----------
    lines : their frequencies.
    pixels_px, values_mm : (N, 2) of the samples.
    sigma_mm : (N,) of each per axis.
    beside_form : whether the values still hold the mirror's form; then cubic polynomials stand for it.
    """
    grid = lines.grid
    frequency = _spread(lines)
    found: dict[tuple[int, int], TileWave] = {}
    for at, here, window in _windows(grid, pixels_px, frequency):
        if len(here) < _FEWEST_SAMPLES:
            continue
        wave = _fit_tile(
            grid,
            frequency[at],
            _place(grid, at, pixels_px[here]),
            values_mm[here],
            window / sigma_mm[here] ** 2,
            sigma_mm[here],
            held=held_blocks(pixels_px[here] / grid.coarseness),
            block=np.floor(pixels_px[here] / (grid.coarseness * _BLOCK_PX)).astype(np.int64) @ np.array([1, 100_000]),
            form_order=_FORM if beside_form else 0,
            must_predict=bool(lines.judged[at]),
        )
        if wave is not None:
            found[at] = wave
    return Waves(grid=grid, tiles=found, reached=lines.reached) if found else None


def _spread(lines: Lines) -> dict[tuple[int, int], Array]:
    """Frequency of each tile that has a line, and of judged tiles beside them: the mean of theirs."""
    result = {(int(i), int(j)): lines.frequency[i, j] for i, j in zip(*np.nonzero(lines.found), strict=True)}
    for i, j in zip(*np.nonzero(lines.reached & ~lines.found), strict=True):
        near = [lines.frequency[a, b] for a, b in _around(int(i), int(j), lines.found.shape) if lines.found[a, b]]
        if len(near) >= (_FEWEST_BESIDE if lines.judged[i, j] else 1):
            result[int(i), int(j)] = np.mean([k * np.sign(k @ near[0]) for k in near], axis=0)
    return result


def _around(i: int, j: int, shape: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    for a in range(max(i - 1, 0), min(i + 2, shape[0])):
        yield from ((a, b) for b in range(max(j - 1, 0), min(j + 2, shape[1])))


def _fit_tile(
    grid: TileGrid,
    frequency: Array,
    place_px: Array,
    values_mm: Array,
    weight: Array,
    sigma_mm: Array,
    *,
    held: BoolArray,
    block: NDArray[np.int64],
    form_order: int,
    must_predict: bool,
) -> TileWave | None:
    form = _powers(place_px / grid.hop_px, form_order)
    basis = np.column_stack([_wave(place_px, frequency, grid), form])
    waves = basis.shape[1] - form.shape[1]
    solved = _solve(basis, values_mm, weight)
    off = np.hypot(*(values_mm - basis @ solved).T)
    weight = np.where(off < _STRAY * np.median(off), weight, 0.0)
    solved = _solve(basis, values_mm, weight)
    if must_predict:
        kept = np.where(held, 0.0, weight)
        with_wave = values_mm - basis @ _solve(basis, values_mm, kept)
        without = values_mm - form @ _solve(form, values_mm, kept)
        if not _better(np.where(held, weight, 0.0), without, with_wave, block):
            return None
    inverse = np.linalg.inv(_normal(basis, weight))
    covariance = (inverse @ _normal(basis, weight**2 * sigma_mm**2) @ inverse)[:waves, :waves]
    half = waves // 2
    return TileWave(
        frequency=frequency,
        coefficients_mm=solved[:waves],
        envelope_mm2=0.5 * (covariance[:half, :half] + covariance[half:, half:]),
    )


def _better(weight: Array, without: Array, with_wave: Array, block: NDArray[np.int64]) -> bool:
    """Whether held-out blocks are predicted better with the wave, nearly all of them."""
    gain = weight * np.sum(without**2 - with_wave**2, axis=1)
    numbers = np.unique(block[weight > 0], return_inverse=True)[1]
    gains = np.bincount(numbers, gain[weight > 0])
    return bool(gains.sum() > 0 and np.maximum(gains, 0.0).sum() > _CLEAR * np.maximum(-gains, 0.0).sum())


def _normal(basis: Array, weight: Array) -> Array:
    matrix = basis.T @ (weight[:, None] * basis)
    return matrix + _STIFF * np.trace(matrix) / len(matrix) * np.eye(len(matrix))


def _solve(basis: Array, values: Array, weight: Array) -> Array:
    return np.asarray(np.linalg.solve(_normal(basis, weight), basis.T @ (weight[:, None] * values)))


def _powers(place: Array, order: int) -> Array:
    """(N, k) products of powers of places (N, 2) up to a total order."""
    x, y = place.T
    return np.stack([x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)], axis=-1)


def _wave(place_px: Array, frequency: Array, grid: TileGrid) -> Array:
    """(N, 12) functions whose sums are waves of slowly varying amplitude and phase."""
    phase = 2.0 * np.pi * (place_px @ frequency)
    envelope = _powers(place_px / grid.hop_px, _ENVELOPE)
    return np.concatenate([envelope * np.cos(phase)[:, None], envelope * np.sin(phase)[:, None]], axis=1)


def _place(grid: TileGrid, at: tuple[int, int], pixels_px: Array) -> Array:
    """(N, 2) pixels from the middle of a tile."""
    return pixels_px - grid.hop_px * np.array([at[1], at[0]], float)


def _windows(
    grid: TileGrid, pixels_px: Array, tiles: Mapping[tuple[int, int], object]
) -> Iterator[tuple[tuple[int, int], NDArray[np.int64], Array]]:
    """Each of the tiles, the samples in it, and their Hann windows."""
    columns = grid.shape[1] + 1
    cell = np.floor(pixels_px / grid.hop_px).astype(np.int64) + 1  # half a pixel may lie before the first
    number = cell[:, 1] * columns + cell[:, 0]
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange((grid.shape[0] + 1) * columns + 1))
    for i, j in tiles:
        parts = [(i + down) * columns + j + across for down in (0, 1) for across in (0, 1)]
        here = np.concatenate([order[starts[n] : starts[n + 1]] for n in parts])
        place = np.clip(_place(grid, (i, j), pixels_px[here]) / grid.hop_px, -1.0, 1.0)
        yield (i, j), here, np.prod(np.cos(0.5 * np.pi * place) ** 2, axis=-1)
