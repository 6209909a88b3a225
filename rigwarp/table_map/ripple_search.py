"""Lines in the local spectra of what the smooth surface leaves over: the mark of a regular ripple.

The samples' residuals are averaged over squares of the projector picture, and overlapping tiles of these are Fourier
transformed (a short-time Fourier transform under Hann windows, as in Welch 1967). A regular ripple is a line that
neighbouring tiles share, slowly turning and stretching across the picture; dents and rims have broad spectra. The
camera's pixels are a regular lattice, too, and beat with the projector's: frequencies where that could show are no
ripple.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft2, fftfreq
from scipy.ndimage import distance_transform_edt, maximum_filter

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.blur import wide_blur
from rigwarp.table_map.squares import spacing_px, sums_over_squares

TILE = 128  # squares along a tile's side
HOP = TILE // 2  # from tile to tile: Hann windows sum to 1
SHORTEST_PX, LONGEST_PX = 4.0, 40.0
_SPACINGS = 2.5  # the shortest wave, in distances between samples: twice would be the limit of Nyquist
_SURROUNDINGS_PX = 20.0  # what varies more slowly is the mirror's form
_AT_ONCE = 32  # tiles: their spectra and what they are made of take 12 MB
_LEAST_FILL = 0.3  # of a tile's window, to look for a line; with ...
_LEAST_REACHED = 0.01  # ... so much of it a tile can take its neighbours'
_OVER_RING = 20.0  # times the median power at the same period in other directions; noise exceeds it once in 10^13
_OVER_BOX = 8.0  # times the power that one in seven of the neighbouring frequencies exceeds: a streak is no line
_OVER_BOX_BESIDE_FORM = 60.0  # the same where the mirror's form is still there; that alone reaches 35
_BOX, _PEAK = 6, 2  # half sides, frequencies
_LATTICE_BINS = 2.5  # frequencies this close to a beat of the two lattices are not trusted
_BEATS = 2  # harmonics of either lattice
_ALIKE_BINS = 2.5  # between the lines of neighbouring tiles
_FEWEST_TILES = 6  # overlapping; a dent reaches into four
_AVERAGED_PX = 24.0  # longer waves show in the averages over cells
_WHITE = 3.0  # times the noise of shorter waves: what lines' neighbours may have at most
_LEAST_PX = 0.01  # amplitude in projector pixels: what else is regular in samples of smooth mirrors reaches 0.007


@dataclass(frozen=True, kw_only=True)
class TileGrid:
    """Square tiles of side `TILE * square_px`, their middles at multiples of half of that."""

    square_px: float
    shape: tuple[int, int]
    coarseness: float = 1.0
    """Times the usual lengths of the waves that are looked for."""

    @property
    def hop_px(self) -> float:
        """Distance between the middles of neighbouring tiles."""
        return HOP * self.square_px

    @staticmethod
    def over(picture: tuple[int, int], square_px: float, coarseness: float = 1.0) -> "TileGrid":
        """Of a picture of (H, W) pixels."""
        rows, columns = (int(np.ceil(n / (HOP * square_px))) + 1 for n in picture)
        return TileGrid(square_px=square_px, shape=(rows, columns), coarseness=coarseness)

    def interpolated(self, values: Array, pixels_px: Array) -> Array:
        """(N,) values (n, m) of tiles, blended by their Hann windows, at (N, 2) pixels."""
        where = np.clip(pixels_px / self.hop_px, 0.0, np.array(self.shape[::-1]) - 1.0 - 1e-9)
        (column, row), (across, down) = np.floor(where).astype(np.int64).T, np.sin(0.5 * np.pi * (where % 1.0)).T ** 2
        upper = (1.0 - across) * values[row, column] + across * values[row, column + 1]
        lower = (1.0 - across) * values[row + 1, column] + across * values[row + 1, column + 1]
        return np.asarray((1.0 - down) * upper + down * lower)


@dataclass(frozen=True, kw_only=True)
class Lines:
    """The strongest line in each tile.

    Attributes
    ----------
    grid : of (n, m) tiles.
    frequency : (n, m, 2) cycles per projector pixel along u and v.
    found : (n, m) whether it belongs to a ripple.
    left_mm2 : (n, m) variance per axis of all that stands out in the spectrum, of whatever cause, ripple or not.
    judged : (n, m) tiles with enough samples to look for one.
    reached : (n, m) tiles with samples.
    """

    grid: TileGrid
    frequency: Array
    found: BoolArray
    left_mm2: Array
    judged: BoolArray
    reached: BoolArray


def find_lines(
    pixels_px: Array,
    residual_mm: Array,
    camera_px: Array,
    mm_per_px: float,
    *,
    picture: tuple[int, int],
    surface: Callable[[Array], Array] | None = None,
    beside_form: bool = False,
    coarseness: float = 1.0,
) -> Lines:
    """Look for lines in residuals.

    Parameters
    ----------
    pixels_px, residual_mm, camera_px : (N, 2) of the samples of one zone.
    mm_per_px : table mm per projector pixel, typical.
    picture : (H, W) of the projector picture.
    surface : mm (n, 2) at (n, 2) pixels, smooth, which are taken off the residuals first.
    beside_form : whether the residuals still hold the mirror's form; then a line must stand out more.
    coarseness : times the usual length of the waves.
    """
    spacing = spacing_px(pixels_px, picture)
    grid = TileGrid.over(picture, coarseness * max(1.0, np.floor(spacing / coarseness)), coarseness)
    known, values = _binned(pixels_px, residual_mm, grid.square_px, picture, surface)
    fill, power = _spectra(grid, known, _without_form(known, values, coarseness * _SURROUNDINGS_PX / grid.square_px))
    judged = fill > _LEAST_FILL
    frequency, found, left = np.zeros((*grid.shape, 2)), np.zeros(grid.shape, bool), np.zeros(grid.shape)
    if judged.any():
        longest, shortest = coarseness * LONGEST_PX, max(coarseness * SHORTEST_PX, _SPACINGS * spacing)
        over_box = _OVER_BOX_BESIDE_FORM if beside_form else _OVER_BOX
        peak, clear, amplitude = _peaks(power, grid.square_px / longest, grid.square_px / shortest, over_box)
        frequency[judged] = peak / grid.square_px
        found[judged] = clear & (amplitude > _LEAST_PX * mm_per_px * fill[judged])
        left[judged] = _standing_out(power, grid.square_px / coarseness) / fill[judged] ** 2
        # what stands out in one tile is in its neighbours, too, where too few samples may let it stand out
        left = left[tuple(distance_transform_edt(~judged, return_distances=False, return_indices=True))]
        left = maximum_filter(left, 3)
    if found.any():
        found &= ~_on_a_beat(grid, frequency, found, pixels_px, camera_px)
    return Lines(
        grid=grid,
        frequency=frequency,
        found=_in_company(grid, frequency, found),
        left_mm2=left,
        judged=judged,
        reached=fill > _LEAST_REACHED,
    )


def _binned(
    pixels_px: Array,
    residual_mm: Array,
    square_px: float,
    picture: tuple[int, int],
    surface: Callable[[Array], Array] | None,
) -> tuple[BoolArray, Array]:
    """Squares that have samples, and their mean residual as x + i y.

    A smooth surface's mean over the samples of a square of few pixels is its value at their mean place, to 1e-5 mm.
    """
    places = () if surface is None else pixels_px.T
    count, x, y, *place = sums_over_squares(pixels_px, square_px, picture, None, *residual_mm.T, *places)
    known, mean = count > 0, (x + 1j * y) / np.maximum(count, 1)
    if surface is not None:
        smooth = surface(np.stack([along[known] / count[known] for along in place], axis=-1))
        mean[known] -= smooth[:, 0] + 1j * smooth[:, 1]
    return known, mean.astype(np.complex64)


def _without_form(known: BoolArray, values: Array, reach: float) -> Array:
    """Values minus their local mean over known squares; 0 where unknown."""
    parts = np.stack([values.real, values.imag, known], axis=-1, dtype=np.float32)
    x, y, density = np.moveaxis(wide_blur(parts, reach, truncate=3.0), -1, 0)
    return np.where(known, values - (x + 1j * y) / np.maximum(density, 1e-6), 0.0)


def hann() -> Array:
    """(TILE,) sin^2, which sums to 1 with that of the neighbouring tile."""
    return np.asarray(np.sin(np.pi * (np.arange(TILE) + 0.5) / TILE) ** 2)


def _spectra(grid: TileGrid, known: BoolArray, values: Array) -> tuple[Array, NDArray[np.floating]]:
    """(n, m) share of each tile's window that has samples, and the power (t, TILE, TILE) of the t that have enough."""
    margins = [(HOP, HOP * n - size) for n, size in zip(grid.shape, known.shape, strict=True)]
    values, known = np.pad(values, margins), np.pad(known, margins)
    window = np.outer(hann(), hann()).astype(np.float32)
    corners = [(i * HOP, j * HOP) for i, j in np.ndindex(grid.shape)]
    tiles = [np.s_[i : i + TILE, j : j + TILE] for i, j in corners]
    fill = np.array([np.vdot(known[here], window) for here in tiles]) / window.sum()
    judged = [tiles[n] for n in np.flatnonzero(fill > _LEAST_FILL)]
    power = np.empty((len(judged), TILE, TILE), np.float32)
    for start in range(0, len(judged), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        both = np.abs(fft2(np.array([values[here] * window for here in judged[some]], np.complex64))) ** 2
        # of x + i y at k and -k together: twice x's and y's
        power[some] = both + np.roll(both[:, ::-1, ::-1], 1, axis=(1, 2))
    return fill.reshape(grid.shape), power


def _peaks(
    power: NDArray[np.floating], lowest: float, highest: float, over_box: float
) -> tuple[Array, BoolArray, Array]:
    """The line of each tile that stands out most: frequency, cycles per square; whether it is one; amplitude, mm."""
    down, across = np.meshgrid(fftfreq(TILE), fftfreq(TILE), indexing="ij")
    length = np.hypot(down, across)
    half = ((across > 0) | ((across == 0) & (down > 0))) & (across > -0.5) & (down > -0.5)
    band = np.flatnonzero(half & (length > lowest) & (length < highest))
    flat, tile = power.reshape(len(power), -1)[:, band], np.arange(len(power))
    ring = np.rint(length.ravel()[band] * TILE).astype(int)
    usual = np.full(flat.shape, np.inf, np.float32)
    for number in np.unique(ring):
        usual[:, ring == number] = np.median(flat[:, ring == number], axis=1, keepdims=True)
    over = flat / np.maximum(usual, 1e-30)
    best = np.argmax(over, axis=1)
    row, column = np.unravel_index(band[best], length.shape)
    steps = np.arange(-_BOX, _BOX + 1)
    box = np.array([(a, b) for a in steps for b in steps if max(abs(a), abs(b)) > _PEAK])
    around = power[tile[:, None], (row[:, None] + box[:, 0]) % TILE, (column[:, None] + box[:, 1]) % TILE]
    highest_of_tile = flat[tile, best]
    clear = (over[tile, best] > _OVER_RING) & (highest_of_tile > over_box * np.quantile(around, 0.85, axis=1))
    amplitude = np.sqrt(2.0 * highest_of_tile) / hann().sum() ** 2
    return np.array([_between(p, r, c) for p, r, c in zip(power, row, column, strict=True)]), clear, amplitude


def _standing_out(power: NDArray[np.floating], square_px: float) -> Array:
    """(t,) variance per axis, mm^2, of what stands out in each tile's power among waves that cells average away.

    Against the median of all directions at the same period; and, since rings stand out in all of them, against that of
    all shorter waves.
    """
    down, across = np.meshgrid(fftfreq(TILE), fftfreq(TILE), indexing="ij")
    ring = np.rint(np.hypot(down, across) * TILE).astype(int)
    half = (across > 0) | ((across == 0) & (down > 0))
    shortest, longest = (int(TILE * square_px / px) for px in (SHORTEST_PX, _AVERAGED_PX))
    finer = half & (ring >= shortest) & (ring < HOP)
    white = np.median(power[:, finer], axis=1) if finer.any() else np.full(len(power), np.inf)
    over, result = np.zeros(len(power)), np.zeros(len(power))
    usual = np.full((len(power), HOP + 1), np.inf)
    for number in range(longest, min(shortest, HOP)):
        values = power[:, half & (ring == number)]
        usual[:, number] = np.minimum(np.median(values, axis=1), _WHITE * white)
        over = np.maximum(over, values.max(axis=1) / np.maximum(usual[:, number], 1e-30))
    for tile in np.flatnonzero(over > _OVER_RING):
        expected = usual[tile][np.minimum(ring, HOP)]
        out = maximum_filter(power[tile] > _OVER_RING * expected, 3, mode="wrap") & np.isfinite(expected)
        # a line under a Hann window has 3 / 2 of its peak along each axis in all; k and -k hold it twice
        result[tile] = 0.25 * np.sum(power[tile][out] - expected[out]) / 1.5**2 / hann().sum() ** 4
    return result


def _between(power: Array, row: int, column: int) -> tuple[float, float]:
    """Frequency along u and v of a peak, cycles per square: parabolas through the logarithms of three."""
    steps = []
    for line, at in ((power[row], column), (power[:, column], row)):
        before, here, after = np.log(line[[at - 1, at, (at + 1) % TILE]].astype(float) + 1e-300)
        bend = before - 2.0 * here + after
        off = float(0.5 * (before - after) / bend) if bend < 0 else 0.0
        steps.append((at + off) / TILE if at < HOP else (at + off) / TILE - 1.0)
    return steps[0], steps[1]


def _on_a_beat(grid: TileGrid, frequency: Array, clear: BoolArray, pixels_px: Array, camera_px: Array) -> BoolArray:
    """(n, m) whether a line is where the lattices of the camera's and the projector's pixels beat."""
    beats = np.stack(np.meshgrid(*(np.arange(-_BEATS, _BEATS + 1),) * 4), axis=-1).reshape(-1, 4)
    beats = beats[(beats[:, :2] != 0).any(axis=1)]
    result = np.zeros(clear.shape, bool)
    nearest = np.rint(pixels_px[:, ::-1] / grid.hop_px).astype(np.int64) @ np.array([clear.shape[1], 1])
    order = np.argsort(nearest, kind="stable")
    starts = np.searchsorted(nearest[order], np.arange(clear.size + 1))
    for i, j in zip(*np.nonzero(clear), strict=True):
        tile = i * clear.shape[1] + j
        near = order[starts[tile] : starts[tile + 1]]
        if len(near) < 3:
            continue
        place = camera_px[near] - camera_px[near].mean(axis=0)
        to_pixels = np.linalg.lstsq(np.column_stack([place, np.ones(len(near))]), pixels_px[near], rcond=None)[0][:2]
        # a wave of n cycles per camera pixel has n J^-1 cycles per projector pixel, J = d(projector px) / d(camera px)
        lattice = beats[:, :2] @ np.linalg.pinv(to_pixels).T + beats[:, 2:] / grid.square_px
        off = np.linalg.norm(lattice - frequency[i, j], axis=1).min()  # beats have either sign
        result[i, j] = off * TILE * grid.square_px < _LATTICE_BINS
    return result


def _in_company(grid: TileGrid, frequency: Array, clear: BoolArray) -> BoolArray:
    """Those of the clear lines that enough tiles share, each with its neighbours."""
    label: NDArray[np.int64] = np.where(clear, np.arange(clear.size).reshape(clear.shape), -1)
    near = _ALIKE_BINS / (TILE * grid.square_px)
    changed = True
    while changed:
        before = label.copy()
        for down, across in ((0, 1), (1, 0), (1, 1), (1, -1)):
            rows, columns = clear.shape
            one = np.s_[: rows - down, max(0, -across) : columns - max(0, across)]
            other = np.s_[down:, max(0, across) : columns + min(0, across)]
            a, b = frequency[one], frequency[other]
            apart = np.minimum(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))
            alike = clear[one] & clear[other] & (apart < near)
            least = np.minimum(label[one], label[other])
            label[one] = np.where(alike, least, label[one])
            label[other] = np.where(alike, least, label[other])
        changed = bool((label != before).any())
    size = np.bincount(label[clear], minlength=clear.size)
    return clear & (size[np.maximum(label, 0)] >= _FEWEST_TILES)
