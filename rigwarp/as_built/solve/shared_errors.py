"""Errors of table positions that samples have in common: all of them, or those within a pupil's width.

What is common to all (a warp of the table plane, the size of the pupil's smear) are unknowns of the fit, with priors.
What only neighbours share cannot be told from the mirror's own form; it lowers what each of them is worth.

The smear: a pixel's light meets the mirror not in a point but over the width of the beam. Where the landing point T is
no linear function of the place m on the mirror, the mean landing point differs from that of the middle ray by

    (s^2 / 2) (d2T/dmx2 + d2T/dmy2),        s^2 = variance of the beam across the mirror, per axis, mm^2,

the second-order term of Taylor's series. A camera sees something else again, the mean of the pixels whose light a spot
of the table gets: the same second derivatives, in shares that depend on the focus. So the size of the effect is an
unknown of the fit, and a part of it remains as error.
"""

from dataclasses import replace

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.as_built.solve.fit_data import Data, Spots
from rigwarp.camera.projection import lens_vector, project_with_jacobians
from rigwarp.geometry import Array
from rigwarp.geometry.robust import independent_errors
from rigwarp.rig import Lens
from rigwarp.tracing import OpticalModel

SHARED_MM = 0.0012
"""Error of table positions that neighbours share besides the smear (decoding, interpolation of the map), 1-sigma.

Errors of neighbouring cells, 1 to 2 mm apart on the mirror, correlate by 0.01 to 0.03 of their variance on virtual
desks with a conic and with a freeform (8 and 6.5 um per axis): 0.8 to 1.4 um. Where a real scan has more, means over
tiles scatter more than samples, and the fit's noise says so.
"""

BEAM_MM2 = 0.25
"""Variance of a beam 2 mm wide (a uniform disk has a quarter of its radius squared per axis)."""
_WARP_ORDER = 3
_SMEAR_LEFT = 0.9  # of the smear, when its size is fitted: 20 of 23 um rms on a virtual desk with a rippled freeform
_SHARED_REACH_MM = 1.25  # neighbours are what one pupil covers on the mirror
_AROUND = 12  # neighbours that tell where a sample lies but for its own noise
_PROBES = 400
_FEWEST_EACH = 10  # samples of a group for each of the warp's functions: fewer, and the smear's noise counts as smooth
_SMEAR_REACH_MM = 1.5
_FEWEST, _MOST = 24, 48  # neighbours for the six coefficients of a quadratic
_SMEAR_PROBES = 200
_STIFF = 1e-6  # of about 48: neighbours on a line tell no second derivative across it, and get none


def beside_own_noise(values: Array, pixels_px: Array, group: NDArray[np.integer]) -> Array:
    """(N, k) smooth values at pixels (N, 2) as planes through each sample's neighbours in its `group` (N,) have them.

    What a common error does to a sample is worked out there. At the measured place it would go with the sample's own
    noise: a scale that shrinks all places shrinks their noise, too, and so fits a little better, N times over. Where
    only priors hold such an error, it was taken for several of its sigmas.
    """
    result = values.copy()
    for number in np.unique(group):
        here = np.flatnonzero(group == number)
        if len(here) <= 3:
            continue
        near = np.asarray(cKDTree(pixels_px[here]).query(pixels_px[here], k=min(_AROUND + 1, len(here)))[1])[:, 1:]
        aside = pixels_px[here][near] - pixels_px[here][:, None]
        plane = np.concatenate([np.ones((*near.shape, 1)), aside / max(float(np.abs(aside).max()), 1e-9)], axis=-1)
        normal = np.einsum("nki,nkj->nij", plane, plane) + _STIFF * np.eye(3)
        result[here] = np.linalg.solve(normal, np.einsum("nki,nkj->nij", plane, values[here][near]))[:, 0]
    return result


def plane_warp(table_mm: Array, sigma_mm: float) -> Array:
    """(N, 2, 2 k) smooth shifts of places (N, 2) along x and y, one sigma of each of 2 k independent unknowns.

    Products of Legendre polynomials up to a total order of 3; all together they move a place by `sigma_mm` rms per
    axis, averaged over a square around the places.
    """
    functions = _smooth_functions(table_mm)
    functions = functions * (sigma_mm / np.sqrt(functions.shape[-1]))
    still = np.zeros_like(functions)
    return np.stack([np.concatenate([functions, still], axis=-1), np.concatenate([still, functions], axis=-1)], axis=1)


def lens_errors(model: OpticalModel, lens: Lens, pixels_px: Array, zone: NDArray[np.integer]) -> Array:
    """(N, 2, k) table shifts for one sigma of each independent error of the lens of a view, at its pixels (N, 2).

    What the lens has wrong, it has wrong as if a pixel were the one beside: by d(px) / d(lens) at the direction that it
    sees. Of a lens whose covariance is not told, polynomials over the picture stand for it that are as large.
    """
    if lens.covariance is None:
        beside_px = plane_warp(pixels_px, lens.sigma_px)
    else:
        rays = model.pixel_rays(pixels_px) @ model.projector.placement.rotation
        own = lens_vector(lens.matrix, lens.distortion)
        beside_px = project_with_jacobians(rays, own, np.eye(3), np.zeros(3))[1] @ independent_errors(lens.covariance)
    by_px = np.full((*pixels_px.shape, 2), np.nan)
    for number in np.unique(zone):
        here = zone == number
        for axis, step in enumerate(np.eye(2)):
            ahead, behind = (
                model.trace(pixels_px[here] + side * step, zone=int(number), extended=True).table_mm
                for side in (0.5, -0.5)
            )
            by_px[here, :, axis] = ahead - behind
    return by_px @ beside_px


def with_shared_errors(data: Data, spots: Spots) -> Data:
    """With the errors that neighbours share: the pupil's smear, and what has no name.

    The smear's size is one more unknown common to all samples; a share of it stays as an error of each, and that too
    is the same for all within a pupil's width. Where the smear is smooth over the table, as on every mirror without
    dents and ripples, so is what stays of it: the warp of the plane holds that.
    """
    group = np.unique(np.stack([data.zone, data.scan], axis=1), axis=0, return_inverse=True)[1].reshape(-1)
    smear = pupil_smear(spots.mirror_mm, data.table_mm, group)
    left = _SMEAR_LEFT * np.linalg.norm(_uneven_part(smear, data.table_mm, group), axis=-1) / np.sqrt(2.0)
    common = np.minimum(SHARED_MM**2, float(np.min(data.sigma_mm**2))) + left**2
    widened = np.hypot(data.sigma_mm, left)
    return replace(
        data,
        sigma_mm=widened,
        camera=np.concatenate([data.camera, smear[:, :, None]], axis=-1),
        information_weight=widened**2 / (widened**2 + (_neighbours(spots) - 1.0) * common),
    )


def _smooth_functions(table_mm: Array) -> Array:
    """(N, k) products of Legendre polynomials, of unit rms over a square around the places (N, 2)."""
    low, high = table_mm.min(axis=0), table_mm.max(axis=0)
    x, y = (2.0 * (table_mm - 0.5 * (low + high)) / max(float((high - low).max()), 1e-9)).T
    unit = np.eye(_WARP_ORDER + 1)
    products = [
        np.sqrt((2 * i + 1) * (2 * j + 1)) * legendre.legval(x, unit[i]) * legendre.legval(y, unit[j])
        for i in range(_WARP_ORDER + 1)
        for j in range(_WARP_ORDER + 1 - i)
    ]
    return np.stack(products, axis=-1)


def _uneven_part(smear_mm: Array, table_mm: Array, group: NDArray[np.int64]) -> Array:
    """What the warp's functions leave of shifts (N, 2), group by group; all of it in groups too small to tell."""
    uneven = smear_mm.copy()
    for number in np.unique(group):
        here = group == number
        functions = _smooth_functions(table_mm[here])
        if len(functions) >= _FEWEST_EACH * functions.shape[-1]:
            uneven[here] -= functions @ np.linalg.lstsq(functions, smear_mm[here], rcond=None)[0]
    return uneven


def _neighbours(spots: Spots) -> float:
    """How many samples a pupil's width holds.

    The mean of n samples with independent errors s and a common one f has the variance s^2 / n + f^2: n samples of
    variance s^2 + n f^2 each tell as much.
    """
    known = np.flatnonzero(np.isfinite(spots.mirror_mm).all(axis=-1))
    tree = cKDTree(spots.mirror_mm[known])
    probes = spots.mirror_mm[known[:: max(1, len(known) // _PROBES)]]
    return max(float(np.median(tree.query_ball_point(probes, _SHARED_REACH_MM, return_length=True))), 1.0)


def pupil_smear(mirror_mm: Array, table_mm: Array, group: NDArray[np.int64]) -> Array:
    """Shifts (N, 2) of landing points, mm, by a beam of `BEAM_MM2`.

    Parameters
    ----------
    mirror_mm : (N, 2) or (N, 3)
        Where samples meet the mirror; its x and y count.
    table_mm : (N, 2) where they land.
    group : (N,) samples of one zone and one table height have one number.

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
    probes = place_mm[:: max(1, len(place_mm) // _SMEAR_PROBES)]
    within = int(np.median(tree.query_ball_point(probes, _SMEAR_REACH_MM, return_length=True)))
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
