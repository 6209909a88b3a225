"""What the projector's pupil does to measured positions where the mirror bends within its width.

A pixel's light meets the mirror not in a point but over the width of the beam. Where the landing point T is no linear
function of the place m on the mirror, the mean landing point differs from that of the middle ray by

    (s^2 / 2) (d2T/dmx2 + d2T/dmy2),        s^2 = variance of the beam across the mirror, per axis, mm^2,

the second-order term of Taylor's series. A camera sees something else again, the mean of the pixels whose light a spot
of the table gets: the same second derivatives, in shares that depend on the focus. So the size of the effect is an
unknown of the fit, and a part of it remains as error.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.geometry import Array

BEAM_MM2 = 0.25
"""Variance of a beam 2 mm wide (a uniform disk has a quarter of its radius squared per axis)."""

_REACH_MM = 1.5
_FEWEST, _MOST = 24, 48  # neighbours for the six coefficients of a quadratic
_PROBES = 200
_STIFF = 1e-6  # of about 48: neighbours on a line tell no second derivative across it, and get none


def pupil_smear(mirror_mm: Array, table_mm: Array, group: NDArray[np.int64]) -> Array:
    """Shifts (N, 2) of landing points, mm, by a beam of `BEAM_MM2`.

    Parameters
    ----------
    mirror_mm : (N, 2) or (N, 3)
        Where samples meet the mirror; its x and y count.
    table_mm : (N, 2)
        Where they land.
    group : (N,)
        Samples of one zone and one table height have one number.

    Returns
    -------
    (N, 2)
        Zero where a position is missing or a group has too few samples to tell.
    """
    result = np.zeros((len(table_mm), 2))
    known = np.isfinite(mirror_mm).all(axis=-1) & np.isfinite(table_mm).all(axis=-1)
    for number in np.unique(group):
        here = np.flatnonzero(known & (group == number))
        if len(here) > _FEWEST:
            result[here] = 0.5 * BEAM_MM2 * _laplacian(mirror_mm[here, :2], table_mm[here])
    return result


def _laplacian(place_mm: Array, value: Array) -> Array:
    """(n, 2) sum of second derivatives of values (n, 2) at places (n, 2): quadratics through the neighbours."""
    tree = cKDTree(place_mm)
    probes = place_mm[:: max(1, len(place_mm) // _PROBES)]
    within = int(np.median(tree.query_ball_point(probes, _REACH_MM, return_length=True)))
    count = min(max(within, _FEWEST), len(place_mm))
    near = np.asarray(tree.query(place_mm, k=count)[1])
    if count > _MOST:  # spread over the reach, not crowded around the middle
        near = near[:, np.linspace(0, count - 1, _MOST).astype(int)]
    x, y = np.moveaxis(place_mm[near] - place_mm[:, None], -1, 0)
    size = max(float(np.sqrt(np.mean(x**2 + y**2))), 1e-9)
    x, y = x / size, y / size
    basis = np.stack([np.ones_like(x), x, y, 0.5 * x * x, x * y, 0.5 * y * y], axis=-1)
    normal = np.einsum("nki,nkj->nij", basis, basis) + _STIFF * np.eye(6)
    shape = np.linalg.solve(normal, np.einsum("nki,nkj->nij", basis, value[near] - value[:, None]))
    return np.asarray((shape[:, 3] + shape[:, 5]) / size**2, float)
