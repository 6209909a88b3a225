"""What pixels and stripes do to decoded positions, which no mirror does: it repeats with the projector's pixels.

Light is the same all over a pixel, so stripes go in steps. What a camera pixel decodes is a mean over these steps, and
off by a little that repeats with every projector pixel and is odd about its centre: sums of sin(2 pi n u) along u, and
along v alike, up to 0.05 px. How much goes with the camera's resolution and the focus, and so varies slowly. It
averages out over many pixels and hardly enters the map, but the camera's lattice beats with it, like ripple.
A view's samples lie on the centres of its camera's pixels, where the sums are zero: there is nothing to tell.

What is left of the camera's curve puts a harmonic into the stripes, by which positions err in proportion to
sin(N phi), phi the phase and N the steps per period (`decode/signal/harmonics.py`). How strong it is goes with the
light of the place; a single period beside a Gray code cannot tell it at all. It looks like ripple along u or v, but a
mirror's is not tied to where the stripes' crests are.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode import CurveWaves
from rigwarp.geometry import Array
from rigwarp.geometry.threads import by_parts, in_two_threads

_HARMONICS = (1, 2)
_DEGREE = 3  # of the polynomials of the place by which it varies
_CELL_PX = 4.0  # over so much of the picture all else is taken to be constant
_FEWEST = 2_000  # samples tell twenty numbers
_ENOUGH = 40_000
_KNIGHT = 5  # cells that are picked lie along no row or column
_LEAST_SEEN = 1e-6  # mean square of the sines within cells: less is rounding, as where all samples lie on centres
_STRAY = 6.0  # times the usual distance: an outlier
_STIFF = 1e-6  # of the mean of the normal matrix' diagonal
_LEAST_PX = 0.003  # rms of what the curve leaves at one frequency: less is lost in any noise, and no ripple to anybody


def without_waves_of_pixels(
    pixels_px: Array, residual_mm: Array, slope_mm: Array, curve_waves: CurveWaves = ((), ())
) -> tuple[Array, bool]:
    """(N, 2) residuals of a smooth map without what repeats with the projector's pixels or the stripes' steps.

    And whether the samples tell what the camera's curve does along both axes.

    Parameters
    ----------
    pixels_px : (N, 2) decoded positions.
    residual_mm : (N, 2) table places minus a map's that is right but for something smooth.
    slope_mm : (N, 2, 2) d(table mm) / d(projector px).
    curve_waves : frequencies, cycles per pixel along u and v, at which the curve shows.
    """
    if len(pixels_px) < _FEWEST:
        return residual_mm, False
    some, cell = _whole_cells(pixels_px)
    at_px = pixels_px[some]
    middle, size = at_px.mean(axis=0), max(float(np.ptp(at_px, axis=0).max()) / 2.0, 1.0)
    powers = _powers(((at_px - middle) / size).T)
    away_px = _within(cell, np.asarray(np.linalg.solve(slope_mm[some], residual_mm[some, :, None])[..., 0].T, float))
    waves = [np.array(sorted(along)) for along in curve_waves]

    def tell(axis: int) -> tuple[Array, Array, bool]:
        """Terms of the pixels and of those waves of the curve that are there, these waves, and whether all are told."""
        basis = (_sines(at_px[:, axis], waves[axis])[:, None] * powers).reshape(-1, len(some))
        basis = _within(cell, basis).reshape(-1, len(powers), len(some))
        terms, seen = np.zeros(basis.shape[:2]), np.mean(basis[:, 0] ** 2, axis=-1) >= _LEAST_SEEN
        if seen.any():
            fitted = _fitted(basis[seen].reshape(-1, len(some)), away_px[axis])
            terms[seen] = fitted.reshape(-1, len(powers))
        curve = terms[len(_HARMONICS) :]
        faint = np.mean((curve @ powers) ** 2, axis=-1) < 2.0 * _LEAST_PX**2
        terms = np.concatenate([terms[: len(_HARMONICS)], curve[~faint]])
        return terms, waves[axis][~faint], bool(len(curve) and seen.all())

    terms, there, told = zip(*in_two_threads(tell, (0, 1)), strict=True)
    curve_told = all(told)
    if not any(one.any() for one in terms):
        return residual_mm, curve_told

    left_mm = np.empty(residual_mm.shape)

    def without(part: slice) -> None:
        # hundredths of a pixel: single precision is ample
        powers = _powers(np.asarray(((pixels_px[part] - middle) / size).T, np.float32))
        along, down = (
            np.sum(_sines(pixels_px[part, i], there[i], np.float32) * (terms[i].astype(np.float32) @ powers), axis=0)
            for i in (0, 1)
        )
        for i in (0, 1):
            left_mm[part, i] = residual_mm[part, i] - slope_mm[part, i, 0] * along - slope_mm[part, i, 1] * down

    by_parts(without, len(pixels_px))
    return left_mm, curve_told


def _sines(position_px: Array, waves: Array, precision: type[np.floating] = np.float64) -> NDArray[Any]:
    """(harmonics + W, N) of positions (N,) along one axis: of pixels, and of W waves of cycles per pixel."""

    def turns(cycles: Array) -> NDArray[Any]:
        return np.asarray(2.0 * np.pi * (cycles - np.rint(cycles)), precision)

    pixels = turns(position_px)
    once = np.sin(pixels)
    # sin 2a = 2 sin a cos a
    return np.stack([once, 2.0 * once * np.cos(pixels), *(np.sin(turns(wave * position_px)) for wave in waves)])


def _whole_cells(pixels_px: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Which samples lie in every so many-th cell of the picture, and the number 0, 1, 2, ... of the cell of each."""
    column, row = (np.floor((along + 0.5) / _CELL_PX).astype(np.int64) for along in pixels_px.T)
    every = max(1, len(pixels_px) // _ENOUGH)
    some = np.flatnonzero((column + _KNIGHT * row) % every == 0)
    return some, np.asarray(np.unique(row[some] * (1 << 20) + column[some], return_inverse=True)[1]).ravel()


def _within(cell: NDArray[np.int64], values: Array) -> Array:
    """(k, N) values minus their mean over the cell."""
    count = np.bincount(cell)
    return np.stack([v - (np.bincount(cell, v) / count)[cell] for v in values])


def _powers(place: NDArray[Any]) -> NDArray[Any]:
    """(k, N) products of powers of (2, N) places."""
    x, y = ([np.ones_like(p), p, p * p, p * p * p] for p in place)
    return np.stack([x[i] * y[j] for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)])


def _fitted(basis: Array, wanted: Array) -> Array:
    """(k,) least squares, once more without outliers."""
    weight = np.ones(len(wanted))
    for _ in range(2):
        normal = (weight * basis) @ basis.T
        normal += _STIFF * np.trace(normal) / len(normal) * np.eye(len(normal))
        terms = np.linalg.solve(normal, basis @ (weight * wanted))
        off = np.abs(wanted - terms @ basis)
        weight = (off <= _STRAY * np.median(off)).astype(float)
    return np.asarray(terms)
