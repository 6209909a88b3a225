"""How blur gets into the projector's picture: what spreads light on the table, and by how many projector pixels.

The map as measured says how far pixels lie apart on the table. What remains to be known is how far light lands aside
that is turned where it meets the mirror, which the rig's lengths and angles tell: its curvature does not enter.
"""

from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.solve.ray_geometry import Deviation, zone_rays
from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, BoolArray, Rows
from rigwarp.geometry.polynomials import plane_powers
from rigwarp.tracing import OpticalModel, Surface

_ORDER = 3  # of the polynomial that makes up for how the mirror was built: higher ones follow dents
_MOST_SAMPLES = 4000
_HALF_PX = 0.5  # to either side of a pixel: the map is smooth over it


@dataclass(frozen=True, kw_only=True)
class BlurPaths(Rows):
    """Linear optics at N places of one zone; NaN where no light gets there.

    Attributes
    ----------
    by_slope : (N, 2, 2) projector px by which light lands aside per radian of the mirror's slopes, surface frame.
    by_pupil : (N, 2, 2) projector px per mm aside in the projector's pupil, rays parallel.
    by_camera : (N, 2, 2) projector px per camera px.
    mm_per_px : (N, 2, 2) d(table mm) / d(projector px).
    """

    by_slope: Array
    by_pupil: Array
    by_camera: Array
    mm_per_px: Array


def blur_paths(
    model: OpticalModel,
    surface: Surface,
    pixels_px: Array,
    camera_px: Array,
    camera: CameraModel,
    *,
    mm_per_px: Array,
) -> BlurPaths:
    """What spreads the light of (N, 2) projector pixels, seen by (N, 2) camera pixels, where the map has given slopes.

    Notes
    -----
    Light that leaves the pupil at p, parallel to that from its middle, meets the mirror at depth z where the pixel
    f p / z further (f: focal length in px) meets it, turned: J^-1 F p + f p / z, where F is how far light lands aside
    that comes to the same point of the mirror from p. A focus at distance s takes f p / s off.
    """
    rays = zone_rays(model, surface, pixels_px, Deviation.none(len(pixels_px)))
    still, none = np.zeros_like(rays.point_mm), np.zeros((len(pixels_px), 2))
    axes = model.projector.placement.rotation
    turned, tilted = [], []
    for k in (0, 1):
        aside = np.broadcast_to(axes[:, k], still.shape)
        along = np.sum(aside * rays.direction, axis=-1, keepdims=True)
        turn = -(aside - along * rays.direction) / rays.there_mm[:, None]
        turned.append(rays.landing(still, still, turn))
        slope = none.copy()
        slope[:, k] = 1.0
        tilted.append(rays.landing(still, rays.normal_change(slope)))
    depth = rays.there_mm * (rays.direction @ axes[:, 2])
    to_px = _inverse(mm_per_px)
    return BlurPaths(
        by_slope=to_px @ np.stack(tilted, axis=-1),
        by_pupil=to_px @ np.stack(turned, axis=-1) + (model.projector.focal_px / depth)[:, None, None] * np.eye(2),
        by_camera=to_px @ camera.plane_jacobian(camera_px, model.table_height_mm),
        mm_per_px=mm_per_px,
    )


def map_slopes(model: OpticalModel, surface: Surface, pixels_px: Array, table_mm: Array, at_px: Array) -> Array:
    """d(table mm) / d(projector px) (n, 2, 2) at places (n, 2): the design's, and what samples (N, 2) smoothly add.

    A polynomial of where the samples lie off the design makes up for a radius that is off and a bent sheet, without the
    noise that differences of neighbouring samples would have.
    """
    thin = slice(None, None, -(-len(pixels_px) // _MOST_SAMPLES))
    pixels, table = pixels_px[thin], table_mm[thin]
    off = table - _landing(model, surface, pixels)
    good = np.isfinite(off).all(axis=-1)
    centre, size = pixels.mean(axis=0), max(float(np.ptp(pixels, axis=0).max()) / 2.0, 1e-9)
    basis = plane_powers((pixels[good] - centre) / size, _ORDER)
    gain = np.linalg.lstsq(basis, off[good], rcond=None)[0]

    def place(at: Array) -> Array:
        return np.asarray(_landing(model, surface, at) + plane_powers((at - centre) / size, _ORDER) @ gain)

    steps = _HALF_PX * np.eye(2)
    return np.stack([(place(at_px + s) - place(at_px - s)) / (2.0 * _HALF_PX) for s in steps], axis=-1)


def _landing(model: OpticalModel, surface: Surface, pixels_px: Array) -> Array:
    return zone_rays(model, surface, pixels_px, Deviation.none(len(pixels_px))).table_mm


def _inverse(matrices: Array) -> Array:
    """(N, 2, 2) inverses; NaN where there is none."""
    result = np.full_like(matrices, np.nan)
    good: BoolArray = np.asarray(np.isfinite(matrices).all(axis=(1, 2)))
    good[good] = np.abs(np.linalg.det(matrices[good])) > 0.0
    result[good] = np.linalg.inv(matrices[good])
    return result
