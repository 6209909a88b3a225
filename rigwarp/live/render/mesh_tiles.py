"""The frame as a mesh of rectangles, in each of which the place in the picture is a quadratic of the projector's pixel.

A GPU draws such a rectangle with two numbers of memory per pixel beside the picture: the gain and the number of taps.
Where zones meet, at a mirror's creases and wherever else even the smallest rectangle has no quadratic within tolerance,
the rectangle is drawn from the map of single pixels instead, as exactly as everything is without the mesh.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.sampling import SampleMap

TOLERANCE_PX = 1.0 / 64.0
"""Picture pixels by which a quadratic may stray from the map: a third of what is promised, 0.05."""
SPREAD_TOLERANCE_PX = 1.0 / 32.0
"""The same of the outermost of several taps beside their middle; those on either side are off by opposite amounts."""
SIDES_PX = (64, 32, 16, 8)
MOST_TAPS = 7
"""Along either axis; three bits hold them, less one, and leave a value for the cubic."""
EVERYWHERE = {"2x1": (2, 1), "1x2": (1, 2), "2x2": (2, 2)}
"""Taps along u and v for which a GPU has programs without loops, which are twice as quick on some."""
KINDS = ("single", *EVERYWHERE, "averaged", "mixed", "exact", "dark")
_CUBIC = 7
_ROOT_BITS = 10
_AT_ONCE_PX = 1 << 17
"""Bounds the arrays at work to some 20 MB."""
_RIDGE = 1e-9
"""Of the normal equations, relative: rectangles with a few lit pixels, or with one row of them, have a solution too."""


@dataclass(frozen=True, kw_only=True)
class MeshTiles:
    """Rectangles that cover every projector pixel once.

    Each is (N, 16) float32: left, top, width, height; then (x, y) in the picture at the rectangle's middle, and what
    multiplies l, m, l l, l m, m m there, (l, m) being projector pixels to the right of and below the middle.

    Attributes
    ----------
    kinds : by what their pixels need. "single" one bilinear sample, "2x1" and the like so many everywhere, "averaged"
        different numbers, "mixed" the cubic in some pixels; "exact": no quadratic fits, the coefficients have no
        meaning; "dark": nothing is lit, or only places beside the picture are looked at.
    how : (H, W) uint16
        The gain's root in 1023rds, above it the taps along u less one, above them those along v; 7 means the cubic.
    stray_px : largest distance between a quadratic and the map at lit pixels, in picture pixels.
    """

    kinds: dict[str, NDArray[np.float32]]
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


def mesh_tiles(samples: SampleMap) -> MeshTiles:
    """Divide the frame: large squares first, quarters of those in which no quadratic is within tolerance."""
    height, width = samples.gain_root.shape
    pending = np.mgrid[0 : height : SIDES_PX[0], 0 : width : SIDES_PX[0]].reshape(2, -1).T
    found: dict[str, list[NDArray[np.float32]]] = {kind: [] for kind in KINDS}
    stray_px = 0.0
    for side in SIDES_PX:
        failed = [np.empty((0, 2), pending.dtype)]
        step = max(_AT_ONCE_PX // side**2, 1)
        for start in range(0, len(pending), step):
            corners = pending[start : start + step]
            fit = _Fit(samples, corners, side)
            for name, own in fit.kinds().items():
                found[name].append(fit.tiles(own))
            failed.append(corners[~fit.good])
            stray_px = max(stray_px, fit.stray_px)
        pending = np.concatenate(failed)
        if side != SIDES_PX[-1]:
            pending = _quarters(pending, side // 2, (height, width))
    if len(pending):
        found["exact"].append(_rectangles(pending, SIDES_PX[-1]))
    joined = {name: np.concatenate([np.empty((0, 16), np.float32), *parts]) for name, parts in found.items()}
    return MeshTiles(kinds=joined, how=packed_how(samples), stray_px=stray_px)


def packed_how(samples: SampleMap) -> NDArray[np.uint16]:
    """See `MeshTiles.how`; pixels with more taps than it can say lie in exact rectangles, which do not look here."""
    taps = np.minimum(samples.taps, MOST_TAPS).astype(np.uint16) - np.uint16(1)
    code = np.where(samples.cubic, np.uint16(_CUBIC), taps[..., 0] | taps[..., 1] << 3)
    return samples.gain_root | (code << _ROOT_BITS).astype(np.uint16)


class _Fit:
    """Quadratics through squares of one size; the squares' corners (T, 2) are (top, left)."""

    def __init__(self, samples: SampleMap, corners: NDArray[np.intp], side: int) -> None:
        self._corners, self._side = corners, side
        self._pixels = pixels = _gathered(samples, corners, side)
        self._basis = _basis(side)
        reach_px = _reach(pixels) if pixels.several else 0.0
        size = np.array(samples.picture_size)
        before = pixels.place_px + reach_px < -1.5
        after = pixels.place_px - reach_px > size + 0.5
        beside = (before | after).any(axis=-1)
        self._used = pixels.lit & ~beside
        self._solve()
        place_px = self._basis @ self._coefficients + self._middle_px
        stray = _length(place_px - pixels.place_px)
        stray[~self._used] = 0.0
        # beside the picture all is black, so it matters only that the quadratic looks beside it as well
        black = ((before & (place_px + reach_px <= -1.0)) | (after & (place_px - reach_px >= size))).any(axis=-1)
        fits = np.where(beside, black, stray <= TOLERANCE_PX)
        if pixels.several:
            fits &= beside | (self._spread_error() <= SPREAD_TOLERANCE_PX)
            fits &= (pixels.taps <= MOST_TAPS).all(axis=-1)
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
                same = (self._pixels.taps == taps).all(axis=-1) | ~self._used
                kinds[name] = left & same.all(axis=-1)
                left = left & ~kinds[name]
        return kinds | {"averaged": left}

    def tiles(self, own: BoolArray) -> NDArray[np.float32]:
        """The rectangles of some squares, coefficients per projector pixel."""
        made = _rectangles(self._corners[own], self._side)
        half = self._side / 2.0
        scaled = self._coefficients[own] / np.array([1, half, half, half**2, half**2, half**2])[:, None]
        scaled[:, 0] += self._middle_px[own, 0]
        made[:, 4:] = scaled.reshape(-1, 12)
        return made

    def _solve(self) -> None:
        """Least squares over the used pixels, (T, 6, 2)."""
        weight = self._used.astype(float)
        count = weight.sum(axis=-1)[:, None, None]
        place_px = np.where(self._used[..., None], self._pixels.place_px, 0.0)
        self._middle_px = place_px.sum(axis=1, keepdims=True) / np.maximum(count, 1.0)
        products = (self._basis[:, :, None] * self._basis[:, None, :]).reshape(len(self._basis), -1)
        normal = (weight @ products).reshape(-1, 6, 6) + _RIDGE * np.maximum(count, 1.0) * np.eye(6)
        off = (place_px - self._middle_px) * weight[..., None]
        self._coefficients = np.linalg.solve(normal, self._basis.T @ off)

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


def _length(vectors: Array) -> Array:
    """np.linalg.norm over the last axis of two, in a third of the time."""
    length: Array = np.hypot(vectors[..., 0], vectors[..., 1])
    return length


def _gathered(samples: SampleMap, corners: NDArray[np.intp], side: int) -> _Pixels:
    height, width = samples.gain_root.shape
    rows = corners[:, 0, None, None] + np.arange(side)[:, None]
    columns = corners[:, 1, None, None] + np.arange(side)
    inside = (rows < height) & (columns < width)
    at = np.minimum(rows, height - 1), np.minimum(columns, width - 1)

    def squares(values: NDArray[Any]) -> NDArray[Any]:
        found: NDArray[Any] = values[at].reshape(len(corners), side * side, *values.shape[2:])
        return found

    taps = squares(samples.taps)
    several = bool((taps > 1).any())
    footprint_px = squares(samples.step_px).astype(float) * taps[..., None, :] if several else np.empty(0)
    return _Pixels(
        lit=(inside & (samples.gain_root[at] > 0)).reshape(len(corners), -1),
        place_px=squares(samples.position_px).astype(float),
        footprint_px=footprint_px,
        taps=taps,
        several=several,
        cubic=squares(samples.cubic),
    )


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


def _rectangles(corners: NDArray[np.intp], side: int) -> NDArray[np.float32]:
    """Squares with coefficients of zero; what lies outside the frame is cut off by the GPU."""
    made = np.zeros((len(corners), 16), np.float32)
    made[:, 0], made[:, 1] = corners[:, 1], corners[:, 0]
    made[:, 2], made[:, 3] = side, side
    return made


def _quarters(corners: NDArray[np.intp], side: int, shape: tuple[int, int]) -> NDArray[np.intp]:
    """The four squares of half the size in each, without those outside the frame."""
    parts = np.concatenate([corners + np.array(offset) * side for offset in ((0, 0), (0, 1), (1, 0), (1, 1))])
    kept: NDArray[np.intp] = parts[(parts < np.array(shape)).all(axis=-1)]
    return kept
