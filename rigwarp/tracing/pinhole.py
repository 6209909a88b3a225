"""The projector as a pinhole: which way each pixel's light leaves."""

import numpy as np

from rigwarp.geometry import Array, normalize
from rigwarp.rig import Projector


def pixel_rays(projector: Projector, pixels_px: Array) -> Array:
    """(..., 2) pixels to (..., 3) unit directions in the table frame: ((u - cx) / f, (v - cy) / f, 1), turned."""
    sideways = (np.asarray(pixels_px, float) - projector.principal_px) / projector.focal_px
    ahead = np.concatenate([sideways, np.ones((*sideways.shape[:-1], 1))], axis=-1)
    return normalize(ahead) @ projector.placement.rotation.T
