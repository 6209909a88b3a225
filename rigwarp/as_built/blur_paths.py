"""How blur gets into the projector's picture: what spreads light on the table, and by how many projector pixels."""

from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.ray_geometry import Deviation, mounting_jacobian, zone_rays
from rigwarp.camera import CameraModel
from rigwarp.geometry import Array
from rigwarp.tracing import OpticalModel, Surface

_HALF_PX = 0.5  # to either side of a pixel: the map is smooth over it


@dataclass(frozen=True, kw_only=True)
class BlurPaths:
    """Linear optics at N places of one zone; NaN where no light gets there.

    Attributes
    ----------
    by_slope : (N, 2, 2) projector px by which light is seen aside per radian of the mirror's slopes, surface frame.
    by_pupil : (N, 2, 2) projector px per mm aside in the projector's pupil, focused at infinity.
    by_camera : (N, 2, 2) projector px per camera px.
    mm_per_px : (N, 2, 2) d(table mm) / d(projector px).
    """

    by_slope: Array
    by_pupil: Array
    by_camera: Array
    mm_per_px: Array


def blur_paths(
    model: OpticalModel, surface: Surface, pixels_px: Array, camera_px: Array, camera: CameraModel
) -> BlurPaths:
    """What spreads the light of (N, 2) projector pixels, seen by (N, 2) camera pixels.

    Notes
    -----
    A ray that leaves the pupil at p towards a focus at distance f is turned by -p / f: that is the effect of `by_pupil`
    less focal length / f times unity.
    """
    none = Deviation.none(len(pixels_px))
    rays = zone_rays(model, surface, pixels_px, none)
    sides = []
    for step in _HALF_PX * np.eye(2):
        ahead, behind = (zone_rays(model, surface, pixels_px + s, none).table_mm for s in (step, -step))
        sides.append((ahead - behind) / (2.0 * _HALF_PX))
    mm_per_px = np.stack(sides, axis=-1)
    lateral = model.projector.placement.rotation[:, :2]
    pupil = mounting_jacobian(model, rays, pixels_px)[:, :, :3] @ lateral
    seen = camera.plane_jacobian(camera_px, model.table_height_mm)
    to_px = np.full_like(mm_per_px, np.nan)
    good = np.isfinite(mm_per_px).all(axis=(1, 2)) & (np.abs(np.linalg.det(np.nan_to_num(mm_per_px))) > 0.0)
    to_px[good] = np.linalg.inv(mm_per_px[good])
    return BlurPaths(
        by_slope=to_px @ rays.by_height()[:, :, 1:],
        by_pupil=to_px @ pupil,
        by_camera=to_px @ seen,
        mm_per_px=mm_per_px,
    )
