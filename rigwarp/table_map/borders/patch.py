"""One zone's light near a border, as a smooth correction of the registered design."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.robust import huber_weights, sigma_per_axis
from rigwarp.geometry.threads import by_parts

_MOST = 8_000  # samples tell a cubic well enough
_PASSES = 4
_RIDGE = 1e-9


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A polynomial over pixels.

    Attributes
    ----------
    middle_px, size_px : (2,) and a number: pixels minus the middle, over the size, are the polynomial's variables.
    degree : of both variables together.
    coefficients : (n, m) of m values.
    spread : 1-sigma per axis of what it was fitted to.
    """

    middle_px: Array
    size_px: float
    degree: int
    coefficients: Array
    spread: float

    def value(self, pixels_px: Array) -> Array:
        """(N, m) at (N, 2) pixels."""
        found = np.empty((len(pixels_px), self.coefficients.shape[1]))

        def fill(part: slice) -> None:
            found[part] = self.basis(pixels_px[part]) @ self.coefficients

        by_parts(fill, len(pixels_px))
        return found

    def basis(self, pixels_px: Array) -> Array:
        """(N, n) products of powers, those of lowest degree first."""
        return powers((pixels_px - self.middle_px) / self.size_px, self.degree)


def powers(at: Array, degree: int) -> Array:
    """(N, n) products of powers of (N, 2) variables up to a degree, those of lowest degree first."""
    found = np.ones((len(at), (degree + 1) * (degree + 2) // 2))
    x, y = at.T
    for n in range(1, degree + 1):
        first = n * (n + 1) // 2  # those of degree n; those of the degree before begin n earlier
        np.multiply(found[:, first - n : first], x[:, None], out=found[:, first : first + n])
        np.multiply(found[:, first - 1], y, out=found[:, first + n])
    return found


def fit_patch(pixels_px: Array, values: Array, which: BoolArray, *, degree: int) -> Patch:
    """Robust least squares through those of N samples, (N, 2) pixels and (N, m) values, that are picked."""
    chosen = np.flatnonzero(which)
    chosen = chosen[:: max(1, len(chosen) // _MOST)]
    pixels, wanted = pixels_px[chosen], values[chosen]
    middle, size = pixels.mean(axis=0), float(np.ptp(pixels, axis=0).max()) / 2.0
    basis = powers((pixels - middle) / size, degree)
    weight = np.ones(len(pixels))
    for _ in range(_PASSES):
        rows = basis * weight[:, None]
        normal = rows.T @ basis
        coefficients = np.linalg.solve(normal + _RIDGE * np.trace(normal) * np.eye(len(normal)), rows.T @ wanted)
        off = wanted - basis @ coefficients
        spread = sigma_per_axis(off) if wanted.shape[1] > 1 else float(np.median(np.abs(off)) / 0.6745)
        weight = huber_weights(np.linalg.norm(off, axis=-1) / max(spread, 1e-12))
    return Patch(middle_px=middle, size_px=size, degree=degree, coefficients=coefficients, spread=spread)
