"""Lens distortion in OpenCV's five-term model, its derivatives and its inverse, on normalised image coordinates.

    r2 = x^2 + y^2,  q = 1 + k1 r2 + k2 r2^2 + k3 r2^3
    x' = x q + 2 p1 x y + p2 (r2 + 2 x^2),  y' = y q + p1 (r2 + 2 y^2) + 2 p2 x y        (OpenCV, calib module)

The polynomial is only a lens out to the radius where r q(r) stops growing; past it, it folds back and means nothing.
"""

import numpy as np

from rigwarp.geometry import Array

_CHUNK = 1 << 15  # points per pass: the working arrays then stay in the cache
_TABLE_SIZE = 4096
_MAX_NEWTON = 12
_REAL_ROOT = 1e-9  # imaginary part, relative, below which a polynomial's root counts as real


def distort(xy: Array, distortion: Array) -> Array:
    """(..., 2) ideal normalised coordinates to distorted ones; no check for folding."""
    k1, k2, p1, p2, k3 = distortion
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    q = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.stack(
        [x * q + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x), y * q + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y],
        axis=-1,
    )


def distort_jacobian(xy: Array, distortion: Array) -> Array:
    """(..., 2, 2) d(distorted)/d(ideal); symmetric in this model."""
    slopes = np.empty((*xy.shape, 2))
    slopes[..., 0, 0], slopes[..., 0, 1], slopes[..., 1, 1] = _slopes(xy[..., 0], xy[..., 1], distortion)
    slopes[..., 1, 0] = slopes[..., 0, 1]
    return slopes


def distort_term_jacobian(xy: Array) -> Array:
    """(..., 2, 5) d(distorted)/d(k1, k2, p1, p2, k3); the model is linear in its terms."""
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    by_term = np.empty((*xy.shape, 5))
    radial = np.stack([r2, r2 * r2, r2 * r2 * r2], axis=-1)
    by_term[..., [0, 1, 4]] = xy[..., None] * radial[..., None, :]
    by_term[..., 0, 2] = by_term[..., 1, 3] = 2.0 * x * y
    by_term[..., 0, 3], by_term[..., 1, 2] = r2 + 2.0 * x * x, r2 + 2.0 * y * y
    return by_term


def fold_radius(distortion: Array) -> float:
    """Ideal radius at which the radial polynomial stops growing; inf when it never does."""
    k1, k2, _, _, k3 = distortion
    coefficients = np.trim_zeros(np.array([7.0 * k3, 5.0 * k2, 3.0 * k1, 1.0]), "f")
    roots = np.roots(coefficients)
    real = roots.real[(np.abs(roots.imag) <= _REAL_ROOT * np.abs(roots)) & (roots.real > 0.0)]
    return float(np.sqrt(real.min())) if real.size else float("inf")


def undistort(distorted: Array, distortion: Array, *, tolerance: float) -> Array:
    """Ideal normalised coordinates of distorted ones.

    Parameters
    ----------
    distorted : (..., 2) normalised coordinates, (pixel - principal point) / focal length.
    distortion : (5,) k1, k2, p1, p2, k3.
    tolerance : largest misclosure, in normalised units, at which a point counts as solved.

    Returns
    -------
    (..., 2)
        NaN where the lens has no such point: beyond the fold of the polynomial, or for NaN input.

    Notes
    -----
    The radial part is inverted by a table (safe up to the fold, where Newton alone would run away), then
    two-dimensional Newton steps take in the tangential part.
    """
    flat = np.reshape(np.asarray(distorted, float), (-1, 2))
    ideal = np.full_like(flat, np.nan)
    table = _radial_table(float(np.nanmax(np.hypot(flat[:, 0], flat[:, 1]), initial=0.0)), distortion)
    for start in range(0, len(flat), _CHUNK):
        part = slice(start, start + _CHUNK)
        ideal[part] = _undistort_chunk(flat[part], distortion, table, tolerance)
    return ideal.reshape(np.shape(distorted))


def _slopes(x: Array, y: Array, distortion: Array) -> tuple[Array, Array, Array]:
    """dx'/dx, dx'/dy (= dy'/dx) and dy'/dy."""
    k1, k2, p1, p2, k3 = distortion
    r2 = x * x + y * y
    q = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    dq = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * (3.0 * k3)))
    return (
        q + x * x * dq + 2.0 * p1 * y + 6.0 * p2 * x,
        x * y * dq + 2.0 * p1 * x + 2.0 * p2 * y,
        q + y * y * dq + 6.0 * p1 * y + 2.0 * p2 * x,
    )


def _radial_table(largest: float, distortion: Array) -> tuple[Array, Array]:
    """Distorted radius and the ratio ideal / distorted, from the centre past `largest` or up to the fold."""
    k1, k2, _, _, k3 = distortion
    fold = fold_radius(distortion)
    reach = max(2.0 * largest, 1e-6)
    while reach < fold and reach * (1.0 + reach**2 * (k1 + reach**2 * (k2 + reach**2 * k3))) < 1.05 * largest:
        reach *= 1.5
    r = np.linspace(0.0, min(reach, fold), _TABLE_SIZE)
    q = 1.0 + r**2 * (k1 + r**2 * (k2 + r**2 * k3))
    return r * q, 1.0 / q


def _undistort_chunk(distorted: Array, distortion: Array, table: tuple[Array, Array], tolerance: float) -> Array:
    k1, k2, p1, p2, k3 = distortion
    xd, yd = np.ascontiguousarray(distorted[:, 0]), np.ascontiguousarray(distorted[:, 1])
    ratio = np.interp(np.hypot(xd, yd), *table)
    x, y = xd * ratio, yd * ratio
    with np.errstate(all="ignore"):  # points past the fold run away; they are thrown out below
        for _ in range(_MAX_NEWTON):
            r2 = x * x + y * y
            q = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            ex = x * q + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x) - xd
            ey = y * q + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y - yd
            solved = np.maximum(np.abs(ex), np.abs(ey)) <= tolerance
            if solved[np.isfinite(xd)].all():
                break
            xx, xy, yy = _slopes(x, y, distortion)
            determinant = xx * yy - xy * xy
            x = x - (yy * ex - xy * ey) / determinant
            y = y - (xx * ey - xy * ex) / determinant
        xx, xy, yy = _slopes(x, y, distortion)
        inside = solved & (xx * yy - xy * xy > 0.0) & (x * x + y * y <= fold_radius(distortion) ** 2)
    return np.where(inside[:, None], np.stack([x, y], axis=-1), np.nan)
