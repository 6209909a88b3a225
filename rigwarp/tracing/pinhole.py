"""The projector as a pinhole: which way each pixel's light leaves."""

import numpy as np

from rigwarp.geometry import Array, normalize
from rigwarp.geometry.lens_distortion import undistort
from rigwarp.rig import Projector

_SOLVED_PX = 1e-9  # misclosure of undistortion


def pixel_rays(projector: Projector, pixels_px: Array) -> Array:
    """(..., 2) pixels to (..., 3) unit directions in the table frame: ((u - cx) / f, (v - cy) / f, 1), turned.

    NaN where a camera's lens has no such pixel.
    """
    sideways = _sideways(projector, np.asarray(pixels_px, float))
    ahead = np.concatenate([sideways, np.ones((*sideways.shape[:-1], 1))], axis=-1)
    return normalize(ahead) @ projector.placement.rotation.T


def _sideways(projector: Projector, pixels_px: Array) -> Array:
    """(..., 2) run per unit of depth."""
    lens = projector.lens
    if lens is None:
        return (pixels_px - projector.principal_px) / projector.focal_px
    focal, centre = lens.matrix[[0, 1], [0, 1]], lens.matrix[:2, 2]
    return undistort((pixels_px - centre) / focal, lens.distortion, tolerance=_SOLVED_PX / float(focal.min()))
