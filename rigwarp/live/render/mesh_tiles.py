"""The frame as a mesh of rectangles, in each of which the place in the picture is a quadratic of the projector's pixel.

A GPU works out the quadratic at the corners of a few cells, and the gain there as well where that is a quadratic, too.
Elsewhere it reads two bytes per pixel beside the picture: the gain and the number of taps.
Where zones meet, at a mirror's creases and wherever else even the smallest rectangle has no quadratic within tolerance,
the rectangle is drawn from the map of single pixels instead, as exactly as everything is without the mesh.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.sampling import GAIN_STEPS, SampleMap

TOLERANCE_PX = 1.0 / 32.0
"""Picture pixels by which quadratic and triangles together may stray from the map; 0.05 is promised, and a texture
unit's weights are rounded to 1/256, which is 0.003 px at most."""
SPREAD_TOLERANCE_PX = 1.0 / 32.0
"""The same of the outermost of several taps beside their middle; those on either side are off by opposite amounts."""
BULGE_PX = 1.0 / 48.0
"""The triangles' part of it, where more cells can bring it down to that; along their diagonals GPUs shade twice."""
SIDES_PX = (64, 32, 16, 8)
CELLS = (1, 2, 4)
"""Along a rectangle's side; in a cell the GPU interpolates between its corners. No more than are needed: small ones are
dear."""
ROOT_TOLERANCE = 0.75
"""1023rds by which a gain's root may stray from the map's, which are whole ones: a quarter of a code at most where the
projector is sRGB, 0.4 where it is linear."""
MOST_TAPS = 7
"""Along either axis; three bits hold them, less one, and leave a value for the cubic."""
EVERYWHERE = {"2x1": (2, 1), "1x2": (1, 2), "2x2": (2, 2)}
"""Taps along u and v for which a GPU has programs without loops, which are twice as quick on some."""
SMOOTH_KINDS = ("single", *EVERYWHERE)
KINDS = (*SMOOTH_KINDS, "averaged", "mixed", "exact", "dark")
_CUBIC = 7
_ROOT_BITS = 10
_BAND_ROWS = 2 * SIDES_PX[0]
"""Bounds the arrays at work to some 50 MB for a 4K projector."""
_RIDGE = 1e-9
"""Of the normal equations, relative: rectangles with a few lit pixels, or with one row of them, have a solution too."""


@dataclass(frozen=True, kw_only=True)
class MeshTiles:
    """Rectangles that cover every projector pixel once.

    Each is (N, 17) float32: left, top, width, height; (x, y) in the picture at the rectangle's middle, and what
    multiplies l, m, l l, l m, m m there, (l, m) being projector pixels to the right of and below the middle; and the
    number of cells along a side.

    Attributes
    ----------
    kinds : by what their pixels need. "single" one bilinear sample, "2x1" and the like so many everywhere, "averaged"
        different numbers, "mixed" the cubic in some pixels; "exact": no quadratic fits, the coefficients have no
        meaning; "dark": nothing is lit, or only places beside the picture are looked at.
    roots : for each rectangle of a kind that needs nothing else of every pixel, (N, 6) float32: the gain's root in the
        middle, and what multiplies l, m, l l, l m, m m there; NaN where no quadratic is within tolerance.
    how : (H, W) uint16
        The gain's root in 1023rds, above it the taps along u less one, above them those along v; 7 means the cubic.
    stray_px : largest distance between a quadratic and the map at lit pixels, in picture pixels.
    """

    kinds: dict[str, NDArray[np.float32]]
    roots: dict[str, NDArray[np.float32]]
    how: NDArray[np.uint16]
    stray_px: float


@dataclass(frozen=True, kw_only=True)
class _Pixels:
    """The pixels of T squares of one size, P in each, those outside the frame dark."""

    lit: BoolArray  # (T, P)
    place_px: Array  # (T, P, 2)
    footprint_px: Array  # (T, P, 2, 2), of pixels with several taps
    taps: NDArray[np.uint8]  # (T, P, 2)
    several: bool  # taps, in any pixel
    cubic: BoolArray  # (T, P)
    root: Array  # (T, P), of the gain in 1023rds


def mesh_tiles(samples: SampleMap) -> MeshTiles:
    """Divide the frame: large squares first, quarters of those in which no quadratic is within tolerance."""
    found: dict[str, list[NDArray[np.float32]]] = {kind: [np.empty((0, 17), np.float32)] for kind in KINDS}
    roots: dict[str, list[NDArray[np.float32]]] = {kind: [np.empty((0, 6), np.float32)] for kind in SMOOTH_KINDS}
    stray_px = 0.0
    for top in range(0, samples.gain_root.shape[0], _BAND_ROWS):
        band = _Band(samples, top)
        pending = np.mgrid[0 : band.height : SIDES_PX[0], 0 : band.width : SIDES_PX[0]].reshape(2, -1).T
        for side in SIDES_PX:
            fit = _Fit(band, pending, side)
            for name, own in fit.kinds().items():
                found[name].append(fit.tiles(own))
                if name in roots:
                    roots[name].append(fit.roots(own))
            stray_px = max(stray_px, fit.stray_px)
            pending = pending[~fit.good]
            if not len(pending):
                break
            if side != SIDES_PX[-1]:
                pending = _quarters(pending, side // 2, (band.height, band.width))
        found["exact"].append(_rectangles(pending, SIDES_PX[-1], top))
    joined = [{name: np.concatenate(parts) for name, parts in lists.items()} for lists in (found, roots)]
    return MeshTiles(kinds=joined[0], roots=joined[1], how=packed_how(samples), stray_px=stray_px)


def packed_how(samples: SampleMap) -> NDArray[np.uint16]:
    """See `MeshTiles.how`; pixels with more taps than it can say lie in exact rectangles, which do not look here."""
    taps = np.minimum(samples.taps, MOST_TAPS).astype(np.uint16) - np.uint16(1)
    code = np.where(samples.cubic, np.uint16(_CUBIC), taps[..., 0] | taps[..., 1] << 3)
    return samples.gain_root | (code << _ROOT_BITS).astype(np.uint16)


class _Fit:
    """Quadratics through squares of one size; the squares' corners (T, 2) are (top, left)."""

    def __init__(self, band: "_Band", corners: NDArray[np.intp], side: int) -> None:
        self._top, self._corners, self._side = band.top, corners, side
        self._pixels = pixels = band.squares(corners, side)
        self._basis = _basis(side)
        self._powers = (side / 2.0) ** np.array([0, 1, 1, 2, 2, 2])
        reach_px = _reach(pixels) if pixels.several else 0.0
        size = np.array(band.picture_size)
        before = pixels.place_px + reach_px < -1.5
        after = pixels.place_px - reach_px > size + 0.5
        beside = _either(before | after)
        self._used = pixels.lit & ~beside
        self._solve()
        self._divide()
        place_px = self._basis @ self._coefficients + self._middle_px
        stray = _length(place_px - pixels.place_px) + self._bulge_px[:, None]
        stray[~self._used] = 0.0
        # beside the picture all is black, so it matters only that the quadratic looks beside it as well
        black = _either((before & (place_px + reach_px <= -1.0)) | (after & (place_px - reach_px >= size)))
        fits = np.where(beside, black, stray <= TOLERANCE_PX)
        if pixels.several:
            fits &= beside | (self._spread_error() <= SPREAD_TOLERANCE_PX)
            fits &= ~_either(pixels.taps > MOST_TAPS)
        self._dark: BoolArray = np.asarray(~self._used.any(axis=-1))
        self.good: BoolArray = (fits | ~pixels.lit).all(axis=-1) | self._dark
        self.stray_px = float(stray[self.good].max(initial=0.0))

    def kinds(self) -> dict[str, BoolArray]:
        """Which squares are of which kind, of those that are good."""
        left = self.good & ~self._dark
        kinds = {"dark": self._dark, "mixed": left & (self._pixels.cubic & self._used).any(axis=-1)}
        left = left & ~kinds["mixed"]
        for name, taps in {"single": (1, 1), **EVERYWHERE}.items():
            if self._pixels.several or name == "single":
                same = ~_either(self._pixels.taps != np.array(taps)) | ~self._used
                kinds[name] = left & same.all(axis=-1)
                left = left & ~kinds[name]
        return kinds | {"averaged": left}

    def tiles(self, own: BoolArray) -> NDArray[np.float32]:
        """The rectangles of some squares, coefficients per projector pixel."""
        made = _rectangles(self._corners[own], self._side, self._top)
        scaled = self._coefficients[own] / self._powers[:, None]
        scaled[:, 0] += self._middle_px[own, 0] - self._lift_px[own]
        made[:, 4:16] = scaled.reshape(-1, 12)
        made[:, 16] = self._cells[own]
        return made

    def roots(self, own: BoolArray) -> NDArray[np.float32]:
        """See `MeshTiles.roots`, of some squares."""
        coefficients = np.linalg.solve(self._normal[own], (self._weighted_root[own] @ self._basis)[..., None])
        root = (self._basis @ coefficients)[..., 0]
        lowest, highest = _interpolation_error(coefficients[:, 3:])
        bulge = np.maximum(-lowest, highest) / self._cells[own, None] ** 2
        off = np.where(self._used[own], np.abs(root - self._pixels.root[own]) + bulge, 0.0)
        smooth: BoolArray = np.asarray(((off <= ROOT_TOLERANCE) & self._pixels.lit[own]).all(axis=-1))
        made = np.where(smooth[:, None], coefficients[..., 0] / self._powers / GAIN_STEPS, np.nan)
        return made.astype(np.float32)

    def _solve(self) -> None:
        """Least squares over the used pixels, (T, 6, 2)."""
        weight = self._used.astype(float)
        count = weight.sum(axis=-1)[:, None, None]
        place_px = np.where(self._used[..., None], self._pixels.place_px, 0.0)
        self._middle_px = place_px.sum(axis=1, keepdims=True) / np.maximum(count, 1.0)
        products = (self._basis[:, :, None] * self._basis[:, None, :]).reshape(len(self._basis), -1)
        self._normal = (weight @ products).reshape(-1, 6, 6) + _RIDGE * np.maximum(count, 1.0) * np.eye(6)
        self._weighted_root: Array = self._pixels.root * weight
        off = (place_px - self._middle_px) * weight[..., None]
        self._coefficients = np.linalg.solve(self._normal, self._basis.T @ off)

    def _divide(self) -> None:
        """Cells along a side (T), by how much (T, 2) the triangles lie above a quadratic in the mean of the extremes,
        which is taken off, and how far they are from it then (T)."""
        lowest_px, highest_px = _interpolation_error(self._coefficients[:, 3:])  # of one cell
        whole_px = _length((highest_px - lowest_px) / 2.0)
        self._cells = np.full(len(whole_px), CELLS[-1])
        for cells in CELLS[::-1]:
            self._cells[whole_px <= BULGE_PX * cells**2] = cells
        self._bulge_px: Array = whole_px / self._cells**2
        self._lift_px: Array = (highest_px + lowest_px) / 2.0 / self._cells[:, None] ** 2

    def _spread_error(self) -> Array:
        """(T, P) how far off the outermost tap is, where there are several: steps are the quadratic's derivatives."""
        along = self._basis[:, 1:3]
        c = self._coefficients
        zero = np.zeros_like(along[:, :1])
        slope_u = np.concatenate([zero + 1, zero, 2 * along[:, :1], along[:, 1:], zero], axis=1) @ c[:, 1:]
        slope_v = np.concatenate([zero, zero + 1, zero, along[:, :1], 2 * along[:, 1:]], axis=1) @ c[:, 1:]
        slope = np.stack([slope_u, slope_v], axis=-1) / (self._side / 2.0)
        taps = self._pixels.taps.astype(float)
        off = np.hypot(*np.moveaxis(slope - self._pixels.footprint_px, -2, 0)) * (taps - 1) / (2 * taps)
        total: Array = off.sum(axis=-1)
        return total


def _interpolation_error(second: Array) -> tuple[Array, Array]:
    """Least and greatest of a quadratic's interpolation in the square's two triangles, less the quadratic.

    Parameters
    ----------
    second : (T, 3, 2), what multiplies l l, l m and m m, for l and m from -1 to 1.

    Notes
    -----
    The difference vanishes at the corners, so it is the sum of 4 a b p over the three edges, a and b being barycentric
    coordinates and p its value in the edge's middle: what is quadratic along the edge. It is extreme in one of these
    middles, or, where p, q and r have one sign and none is more than the other two together, at
    4 p q r / (2 (p q + q r + r p) - p p - q q - r r).
    """
    p, q = second[:, 0], second[:, 2]
    r = p - second[:, 1] + q  # the diagonal from (1, -1) to (-1, 1)
    edges = np.stack([p, q, r, np.zeros_like(p)])
    lowest, highest = edges.min(axis=0), edges.max(axis=0)
    square = 2 * (p * q + q * r + r * p) - p * p - q * q - r * r
    inside = ((lowest == 0) | (highest == 0)) & (2 * np.abs(edges).max(axis=0) < np.abs(edges).sum(axis=0))
    peak = np.where(inside, 4 * p * q * r, 0.0) / np.where(inside, square, 1.0)
    return np.minimum(lowest, peak), np.maximum(highest, peak)


def _either(pairs: NDArray[np.bool_]) -> BoolArray:
    """`any` over the last axis of two, in a fraction of the time."""
    either: BoolArray = pairs[..., 0] | pairs[..., 1]
    return either


def _length(vectors: Array) -> Array:
    """np.linalg.norm over the last axis of two, in a third of the time."""
    length: Array = np.hypot(vectors[..., 0], vectors[..., 1])
    return length


class _Band:
    """Some rows of the frame, filled up with darkness to whole squares; corners are counted from the first of them."""

    def __init__(self, samples: SampleMap, top: int) -> None:
        rows = slice(top, top + _BAND_ROWS)
        self.top, self.picture_size = top, samples.picture_size
        self.height, self.width = samples.gain_root[rows].shape
        most = SIDES_PX[0]
        self._room = [(0, -self.height % most), (0, -self.width % most)]
        self._root = self._filled(samples.gain_root[rows])
        self._place_px = self._filled(samples.position_px[rows])
        self._step_px = self._filled(samples.step_px[rows])
        self._taps = self._filled(samples.taps[rows])
        self._cubic = self._filled(samples.cubic[rows])

    def squares(self, corners: NDArray[np.intp], side: int) -> _Pixels:
        """The pixels of squares that lie on a lattice of their own size."""
        row, column = (corners // side).T

        def of(values: NDArray[Any]) -> NDArray[Any]:
            height, width, *rest = values.shape
            blocks = values.reshape(height // side, side, width // side, side, *rest)
            found: NDArray[Any] = blocks[row, :, column].reshape(len(corners), side * side, *rest)
            return found

        root = of(self._root).astype(float)
        taps = np.maximum(of(self._taps), np.uint8(1))  # what was filled up has none
        several = bool((taps > 1).any())
        return _Pixels(
            lit=root > 0,
            place_px=of(self._place_px).astype(float),
            footprint_px=of(self._step_px).astype(float) * taps[..., None, :] if several else np.empty(0),
            taps=taps,
            several=several,
            cubic=of(self._cubic),
            root=root,
        )

    def _filled(self, values: NDArray[Any]) -> NDArray[Any]:
        return np.pad(values, [*self._room, *[(0, 0)] * (values.ndim - 2)])


def _basis(side: int) -> Array:
    """(P, 6): 1, l, m, l l, l m, m m at a square's pixels, from -1 to 1 over the square."""
    half = side / 2.0
    m, l = (np.mgrid[:side, :side] - (side - 1) / 2.0).reshape(2, -1) / half  # noqa: E741
    return np.stack([np.ones_like(l), l, m, l * l, l * m, m * m], axis=-1)


def _reach(pixels: _Pixels) -> Array:
    """(T, P, 2): how far a pixel's taps lie from its place, along x and y."""
    taps = pixels.taps.astype(float)
    reach: Array = (np.abs(pixels.footprint_px) * ((taps - 1) / (2 * taps))[..., None, :]).sum(axis=-1)
    return reach


def _rectangles(corners: NDArray[np.intp], side: int, top: int) -> NDArray[np.float32]:
    """Squares with coefficients of zero; what lies outside the frame is cut off by the GPU."""
    made = np.zeros((len(corners), 17), np.float32)
    made[:, 0], made[:, 1] = corners[:, 1], corners[:, 0] + top
    made[:, 2], made[:, 3], made[:, -1] = side, side, 1
    return made


def _quarters(corners: NDArray[np.intp], side: int, shape: tuple[int, int]) -> NDArray[np.intp]:
    """The four squares of half the size in each, without those outside the frame."""
    parts = np.concatenate([corners + np.array(offset) * side for offset in ((0, 0), (0, 1), (1, 0), (1, 1))])
    kept: NDArray[np.intp] = parts[(parts < np.array(shape)).all(axis=-1)]
    return kept
