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
    pixels, lens = np.asarray(pixels_px, float), projector.lens
    if lens is None:
        sideways = (pixels - projector.principal_px) / projector.focal_px
    else:
        focal, centre = lens.matrix[[0, 1], [0, 1]], lens.matrix[:2, 2]
        sideways = undistort((pixels - centre) / focal, lens.distortion, tolerance=_SOLVED_PX / float(focal.min()))
    ahead = np.concatenate([sideways, np.ones((*sideways.shape[:-1], 1))], axis=-1)
    return normalize(ahead) @ projector.placement.rotation.T
