"""How a projector pixel is stretched on the table: the derivative of the map, and what follows from it per pixel."""

import numpy as np

from rigwarp.geometry import Array, PixelMap
from rigwarp.rig import Projector


def table_jacobian(pixel_map: PixelMap) -> Array:
    """d(table mm)/d(projector px) of every pixel.

    Parameters
    ----------
    pixel_map : neighbours of another zone belong to another piece of mirror and are not used.

    Returns
    -------
    (H, W, 2, 2)
        Index [v, u, table axis, pixel axis]. Central differences, one-sided at the rim of a zone; NaN where the map has
        no answer or a pixel has no neighbour along an axis.
    """
    columns = []
    for axis in (1, 0):
        table, number = (np.moveaxis(of, axis, 0) for of in (pixel_map.table_mm, pixel_map.zone))
        step = np.where((number[1:] == number[:-1])[..., None], table[1:] - table[:-1], np.nan)
        gap = np.full_like(table[:1], np.nan)
        after, before = np.concatenate([step, gap]), np.concatenate([gap, step])
        both, one_sided = 0.5 * (after + before), np.where(np.isfinite(after), after, before)
        columns.append(np.moveaxis(np.where(np.isfinite(both), both, one_sided), 0, axis))
    return np.stack(columns, axis=-1)


def singular_values(jacobian: Array) -> tuple[Array, Array]:
    """Larger and smaller singular value of (..., 2, 2) matrices, both (...); NaN gives NaN.

    Notes
    -----
    Closed form: with E, F, G, H the half sums and differences of the entries, s = |(E, H)| ± |(F, G)|
    (Blinn, Consider the lowly 2 x 2 matrix, IEEE Computer Graphics and Applications 16(2), 1996).
    """
    a, b, c, d = (jacobian[..., i, j] for i in (0, 1) for j in (0, 1))
    turned, flipped = np.hypot(a + d, c - b) / 2.0, np.hypot(a - d, c + b) / 2.0
    return turned + flipped, np.abs(turned - flipped)


def determinant(jacobian: Array) -> Array:
    """Signed area of a pixel on the table, mm^2, of (..., 2, 2) matrices; (...)."""
    return jacobian[..., 0, 0] * jacobian[..., 1, 1] - jacobian[..., 0, 1] * jacobian[..., 1, 0]


def pixel_light(projector: Projector) -> Array:
    """(H, W) share of the projector's light in each pixel; the sum is 1.

    Notes
    -----
    A source of the same intensity in all directions: proportional to the pixel's solid angle cos^3(theta) / f^2, with
    theta the angle to the projection axis. Real projectors differ from it by their own vignetting.
    """
    width, height = projector.resolution
    centre = projector.principal_px
    x = (np.arange(width) - centre[0]) / projector.focal_px
    y = (np.arange(height) - centre[1]) / projector.focal_px
    solid_angle = (1.0 + x**2 + y[:, None] ** 2) ** -1.5
    return np.asarray(solid_angle / solid_angle.sum())
