"""How far on the mirror the samples share what the fit cannot model, measured from its residuals.

Seen from the mirror, a residual is a slope. A figure, however fine, makes slopes without curl; so what circles around a
place (a vortex) is none of the mirror's form, and no fit of a form takes it away. Light of such errors is as much
gradient as curl. How strongly vortices of several sizes are found therefore tells the errors' correlation length, and
what they do to the lowest forms, which average over it.

Each size gives the variance of its vortices over what independent noise would make it. To that is fitted

    white + share G(R, l),        G = mean of 2 pi l^2 exp(-k^2 l^2 / 2) over the vortex' own spectrum,

the spectrum of errors whose correlation falls as exp(-d^2 / 2 l^2) at distance d.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import nnls
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray

_SMALLEST, _LARGEST = 2.3, 0.3  # radius of vortices: in distances between samples, and of the footprint's extent
_LARGER = 1.6  # from one size to the next
_STEP = 0.6  # radii from vortex to vortex
_FILLED = 0.8  # of the disk must have samples, evenly about its middle
_FEWEST_SAMPLES = 8
_FEWEST = 5  # vortices of a size
_GROSS = 20.0  # times the median square: a dent, not noise
_CLEAR = 3.0  # by which correlation must raise the logarithm of the likelihood
_PASSES = 4
_LENGTHS = np.geomspace(0.1, 1.0, 16)  # of the largest radius: correlation lengths that are tried
_GRID = 64


@dataclass(frozen=True, kw_only=True)
class SharedNoise:
    """What samples share.

    Attributes
    ----------
    scale : by what the lowest forms' sigma grows against independent noise of the samples' sigma, at least 0.
    reach_mm : correlation length on the mirror; NaN where they share nothing.
    """

    scale: float = 0.0
    reach_mm: float = np.nan


@dataclass(frozen=True, kw_only=True)
class Vortices:
    """Vortices of several sizes over N samples.

    Attributes
    ----------
    sizes : radius in mm, and (n, N) sparse: the two components of each vortex of that size at the samples.
    extent_mm : of the footprint.
    """

    sizes: tuple[tuple[float, sparse.csr_matrix, sparse.csr_matrix], ...]
    extent_mm: float

    @classmethod
    def over(cls, local_mm: Array, group: NDArray[np.integer]) -> "Vortices":
        """Over samples (N, 2) of surface frames; those of one `group` (N,) share errors."""
        known = np.flatnonzero(np.isfinite(local_mm).all(axis=-1))
        if not len(known):
            return cls(sizes=(), extent_mm=0.0)
        extent = float(np.ptp(local_mm[known], axis=0).min())
        near_mm = np.asarray(cKDTree(local_mm[known]).query(local_mm[known], k=5)[0])[:, 1:]
        smallest = _SMALLEST * float(np.median(near_mm))
        count = max(int(np.log(_LARGEST * extent / smallest) / np.log(_LARGER)) + 1, 0)
        radii = smallest * _LARGER ** np.arange(count)
        found = [(float(radius), *_vortices(local_mm, group, known, radius)) for radius in radii]
        return cls(sizes=tuple(size for size in found if size[1].shape[0] >= _FEWEST), extent_mm=extent)

    def measure(self, by_slope: Array, residual_mm: Array, variance_mm2: Array) -> SharedNoise:
        """From residuals (N, 2), NaN where unknown, with variances (N,) and d(table mm) / d(slope) (N, 2, 2)."""
        good = np.isfinite(residual_mm).all(axis=-1) & (np.abs(np.linalg.det(by_slope)) > 0.0)
        inverse = np.zeros(by_slope.shape)
        inverse[good] = np.linalg.inv(by_slope[good])
        slope = np.einsum("nij,nj->ni", inverse, np.where(good[:, None], residual_mm, 0.0))
        noise = variance_mm2[:, None, None] * inverse @ np.swapaxes(inverse, 1, 2)
        found, count = [], []
        for _, a, b in self.sizes:
            size = a @ slope[:, 0] + b @ slope[:, 1]
            expected = a.power(2) @ noise[:, 0, 0] + b.power(2) @ noise[:, 1, 1] + 2.0 * a.multiply(b) @ noise[:, 0, 1]
            square = size**2 / np.maximum(expected, 1e-300)
            found.append(float(np.mean(np.minimum(square, _GROSS * np.median(square)))))
            count.append(a.shape[0] * _STEP**2 / np.pi)
        return self._fitted(np.array(found), np.array(count)) if len(found) > 1 else SharedNoise()

    def _fitted(self, found: Array, freedom: Array) -> SharedNoise:
        """The likeliest correlation length of variances (m,) with so many degrees of freedom each."""
        best = (_likelihood(found, np.full(len(found), np.average(found, weights=freedom)), freedom), np.nan, 0.0)
        alone = best[0] + _CLEAR
        radii = [radius for radius, _, _ in self.sizes]
        for length in _LENGTHS * max(radii):
            shape = np.array([_passed(radius, length) for radius in radii])
            columns = np.stack([np.ones_like(shape), shape], axis=-1)
            expected = found
            for _ in range(_PASSES):
                root = np.sqrt(freedom) / expected
                parts, _ = nnls(columns * root[:, None], found * root)
                expected = np.maximum(columns @ parts, 1e-12)
            likelihood = _likelihood(found, expected, freedom)
            if likelihood > max(alone, best[0]):
                best = likelihood, length, float(parts @ [1.0, _passed(0.5 * self.extent_mm, length)])
        return SharedNoise(scale=float(np.sqrt(best[2])), reach_mm=float(best[1]))


def _likelihood(found: Array, expected: Array, freedom: Array) -> float:
    """Logarithm, but for a constant, of variances that are expected to be so large."""
    return float(-0.5 * np.sum(freedom * (found / expected + np.log(expected))))


def _vortices(
    local_mm: Array, group: NDArray[np.integer], known: NDArray[np.intp], radius: float
) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """(n, N) components of curls of (1 - d^2 / R^2)^3 about places whose whole disk has samples."""
    rows, columns, asides = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)], [np.zeros((0, 2))]
    number = 0
    for one in np.unique(group[known]):
        here = known[group[known] == one]
        low, high = local_mm[here].min(axis=0), local_mm[here].max(axis=0)
        steps = [np.arange(a + radius, b - radius + 1e-9, _STEP * radius) for a, b in zip(low, high, strict=True)]
        middles = np.stack(np.meshgrid(*steps), axis=-1).reshape(-1, 2)
        pairs = cKDTree(middles).sparse_distance_matrix(cKDTree(local_mm[here]), radius, output_type="ndarray")
        middle, near = np.asarray(pairs["i"], np.int64), here[pairs["j"]]
        many = np.bincount(middle, minlength=len(middles))
        aside = (local_mm[near] - middles[middle]) / radius
        filled = (many >= _FEWEST_SAMPLES) & _filled(aside, middle, len(middles))
        kept = filled[middle]
        rows.append(number + (np.cumsum(filled) - 1)[middle[kept]])
        columns.append(near[kept])
        asides.append(aside[kept])
        number += int(np.count_nonzero(filled))
    at, aside = (np.concatenate(rows), np.concatenate(columns)), np.concatenate(asides)
    swirl = (1.0 - np.sum(aside**2, axis=-1))[:, None] ** 2 * np.stack([-aside[:, 1], aside[:, 0]], axis=-1)
    across, along = (sparse.csr_matrix((s, at), shape=(number, len(local_mm))) for s in swirl.T)
    return across, along


def _filled(aside: Array, disk: NDArray[np.integer], disks: int) -> BoolArray:
    """(disks,) are places (n, 2) of unit disks (n,) spread all over them?"""
    angle = np.floor((np.arctan2(aside[:, 1], aside[:, 0]) / (2.0 * np.pi) + 0.5) * 8.0).astype(int) % 8
    outer = np.sum(aside**2, axis=-1) > 0.5  # half of the disk
    count = np.bincount(8 * disk[outer] + angle[outer], minlength=8 * disks).reshape(disks, 8)
    share = count.sum(axis=1) / np.maximum(np.bincount(disk, minlength=disks), 1)
    return np.asarray((count.min(axis=1) > 0) & (np.abs(share - 0.5) < 1.0 - _FILLED))


def _passed(radius: float, length: float) -> float:
    """G(R, l), mm^2: see the module's words."""
    line = (np.arange(_GRID) + 0.5) / _GRID * 4.0 - 2.0
    x, y = np.meshgrid(line, line)
    power = np.abs(np.fft.fft2(np.maximum(1.0 - x**2 - y**2, 0.0) ** 2 * x)) ** 2
    k = 2.0 * np.pi * np.fft.fftfreq(_GRID, 4.0 / _GRID * radius)
    spectrum = 2.0 * np.pi * length**2 * np.exp(-0.5 * (k[:, None] ** 2 + k**2) * length**2)
    return float(np.sum(power * spectrum) / np.sum(power))
