"""What of an as-built map's error is a displacement that the estimate itself says no data tell.

A mirror whose design is left as it is by a motion (spin), or all but left (a paraboloid decentred, with the tilt that
undoes it), gives no hint of where on it the light falls: dents and waves of the estimate then lie beside their places,
by what the mount's tolerances leave open. Comparing two built surfaces as shapes means laying one on the other first.
"""

import numpy as np
from scipy.optimize import lsq_linear

from rigwarp.as_built import AsBuilt
from rigwarp.geometry import Array

_SPIN, _DECENTRING = "spin of the mirror", "decentring of the mirror"
_MOST_SIGMAS = 3.0
_MRAD = 1e-3


def without_unseen_motion(error_um: Array, built: AsBuilt) -> Array:
    """Height errors (ny, nx) of an estimate after moving its figure along the motions that it names as not observable.

    First order in the motion: -shift . slope of the estimated figure; no further than three of the sigmas that the
    estimate states for the mirror's pose. Tilt and power, which trade against it, are fitted along and taken out too.
    """
    x, y = np.meshgrid(built.x_mm, built.y_mm)
    slope_x, slope_y = built.slope_x_mrad, built.slope_y_mrad
    patterns = [np.ones_like(x), x, y, x**2 + y**2]
    most = [np.inf] * len(patterns)
    if any(_DECENTRING in name for name in built.unobservable):
        patterns += [slope_x, slope_y]
        most += 2 * [_MOST_SIGMAS * float(built.pose.sigma[6:9].max())]
    if any(_SPIN in name for name in built.unobservable):
        patterns.append(x * slope_y - y * slope_x)
        most.append(_MOST_SIGMAS * _MRAD * float(built.pose.sigma[9:12].max()))
    known = np.isfinite(error_um) & np.isfinite(slope_x) & np.isfinite(slope_y)
    columns = np.stack([pattern[known] for pattern in patterns], axis=-1)
    size = np.linalg.norm(columns, axis=0) + 1e-12  # a figure that is perfect has no slopes
    found = lsq_linear(columns / size, error_um[known], (-size * most, size * most)).x
    left = np.full(error_um.shape, np.nan)
    left[known] = error_um[known] - columns @ (found / size)
    return left


def slope_rms_mrad(height_um: Array, x_mm: Array, y_mm: Array) -> float:
    """Root of the mean square of both slope components together, by differences over the grid; NaN left out."""
    slope = np.stack(np.gradient(height_um, y_mm, x_mm), axis=-1)
    return float(np.sqrt(np.nanmean(np.sum(slope**2, axis=-1))))
