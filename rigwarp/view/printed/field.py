"""What is known of a view beforehand, as one Gaussian: mountings, sheets' places, prints, and a smooth rest.

The place that a pixel sees is that of the design, moved with its mountings within their tolerances, plus a smooth field
of which nothing is known but how far it varies (a Gaussian process; Rasmussen and Williams, 2006, chapters 2 and 5).
Where corners of a sheet lie on the table is known but for the sheet's place and turn, its print and its height.
Everything is linear near the solution, so that what corners tell of any pixel, and how surely, follows in closed form.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial.distance import cdist

from rigwarp.geometry import Array, IntArray

_AMPLITUDES_MM = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4)
_LENGTHS = (0.15, 0.25, 0.4, 0.7)  # of the picture's width
_NOISES_PX = (0.02, 0.035, 0.06, 0.1, 0.17, 0.3)
_USUAL_MM, _SPREAD = 0.2, 3.0  # a built wing strays by so much at the table, within this factor
_ROUNDS = 2


@dataclass(frozen=True, kw_only=True)
class Field:
    """How far the smooth rest varies, over how many pixels, and the 1-sigma of a corner per axis."""

    amplitude_mm: float
    length_px: float
    noise_px: float


@dataclass(frozen=True, kw_only=True)
class Sightings:
    """N corners, linearised.

    Attributes
    ----------
    pixels_px : (N, 2); zone : (N,).
    misfit_mm : (N, 2) place by the sheet minus place by the design, both as now assumed, plus slope @ now.
    slope : (N, 2, P) how the design's place minus the sheet's moves with the unknowns.
    mm_per_px : (N,).
    """

    pixels_px: Array
    zone: IntArray
    misfit_mm: Array
    slope: Array
    mm_per_px: Array


class Conditioned:
    """What N corners say.

    Parameters
    ----------
    sightings : the corners.
    prior : (P,) 1-sigma of the unknowns.
    field : of the smooth rest.
    """

    def __init__(self, sightings: Sightings, prior: Array, field: Field) -> None:
        self._at, self._prior, self._field = sightings, prior, field
        n = len(sightings.zone)
        self._rows = np.moveaxis(sightings.slope, 1, 0).reshape(2 * n, -1)  # all x, then all y
        self._wanted = sightings.misfit_mm.T.ravel()
        covariance = (self._rows * prior**2) @ self._rows.T
        noise = np.maximum(field.noise_px * sightings.mm_per_px, 1e-4) ** 2
        own = _kernel(field, sightings.pixels_px, sightings.zone, sightings.pixels_px, sightings.zone) + np.diag(noise)
        covariance[:n, :n] += own
        covariance[n:, n:] += own
        self._factor = cho_factor(covariance, lower=True)
        self._solved = cho_solve(self._factor, self._wanted)

    @property
    def evidence(self) -> float:
        """Logarithm of the likelihood of what was seen, the unknowns integrated out; up to a constant."""
        return float(-0.5 * self._wanted @ self._solved - np.log(np.diag(self._factor[0])).sum())

    @property
    def unknowns(self) -> tuple[Array, Array]:
        """(P,) and (P, P): mean and covariance."""
        by = self._rows * self._prior**2
        return by.T @ self._solved, np.diag(self._prior**2) - by.T @ cho_solve(self._factor, by)

    @property
    def left_out(self) -> tuple[Array, Array]:
        """(N, 2) residual of each corner from what the others say, and its 1-sigma (Rasmussen and Williams, 5.4.2)."""
        n = len(self._at.zone)
        inverse = np.diag(cho_solve(self._factor, np.eye(2 * n)))
        return (self._solved / inverse).reshape(2, n).T, np.sqrt(1.0 / inverse).reshape(2, n).T

    def at(self, pixels_px: Array, zone: int, slope: Array) -> tuple[Array, Array]:
        """What design and rest add up to at M pixels of a zone, relative to unknowns of zero.

        Parameters
        ----------
        slope : (M, 2, P) how the design's place there moves with the unknowns.

        Returns
        -------
        mm : (M, 2); sigma_mm : (M,) 1-sigma per axis.
        """
        n, m = len(self._at.zone), len(pixels_px)
        near = _kernel(self._field, pixels_px, np.full(m, zone), self._at.pixels_px, self._at.zone)
        mean, variance = np.zeros((m, 2)), np.zeros(m)
        for axis in (0, 1):
            own = slope[:, axis] * self._prior**2
            cross = own @ self._rows.T
            cross[:, axis * n : (axis + 1) * n] += near
            mean[:, axis] = cross @ self._solved
            before = np.sum(own * slope[:, axis], axis=-1) + self._field.amplitude_mm**2
            variance += (before - np.sum(cross.T * cho_solve(self._factor, cross.T), axis=0)) / 2.0
        return mean, np.sqrt(np.maximum(variance, 0.0))


def likeliest(sightings: Sightings, prior: Array, width_px: int) -> Field:
    """The field that makes what was seen likeliest, found one number after the other on a grid."""
    best = Field(amplitude_mm=_USUAL_MM, length_px=_LENGTHS[1] * width_px, noise_px=_NOISES_PX[2])
    grids: dict[str, Sequence[float]] = {
        "noise_px": _NOISES_PX,
        "amplitude_mm": _AMPLITUDES_MM,
        "length_px": [share * width_px for share in _LENGTHS],
    }
    for _ in range(_ROUNDS):
        for name, values in grids.items():
            tried = [replace(best, **{name: value}) for value in values]
            best = max(tried, key=lambda field: _worth(sightings, prior, field))
    return best


def _worth(sightings: Sightings, prior: Array, field: Field) -> float:
    unusual = np.log(field.amplitude_mm / _USUAL_MM) / np.log(_SPREAD)
    return Conditioned(sightings, prior, field).evidence - 0.5 * float(unusual) ** 2


def _kernel(field: Field, first_px: Array, first_zone: IntArray, second_px: Array, second_zone: IntArray) -> Array:
    """(N, M) covariance of the smooth rest, mm^2: Matern 5/2 within a zone, nothing across."""
    r = np.sqrt(5.0) * cdist(first_px, second_px) / field.length_px
    matern = field.amplitude_mm**2 * (1.0 + r + r**2 / 3.0) * np.exp(-r)
    return np.where(first_zone[:, None] == second_zone[None], matern, 0.0)
