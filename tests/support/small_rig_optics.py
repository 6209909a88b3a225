"""The light path of the small closed-form rig, and a sparse grid of dots on its table."""

import numpy as np
from bench_rigs import built_convex, convex_rig

from rigwarp.tracing import OpticalModel


def mirror_rig() -> tuple[OpticalModel, np.ndarray, np.ndarray]:
    """The convex rig as built, and dots on it."""
    model = built_convex(convex_rig())
    return model, *dots_of(model)


def dots_of(model: OpticalModel) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (K, 2) and zones (K,) of dots whose light lands within 230 mm of the table's middle."""
    u, v = np.meshgrid(np.arange(20.0, 640.0, 28.0), np.arange(15.0, 360.0, 24.0))
    pixels = np.stack([u, v], axis=-1).reshape(-1, 2)
    spots = model.trace(pixels).table_mm
    near = np.hypot(*np.nan_to_num(spots, nan=1e9).T) < 230.0
    return pixels[near], np.zeros(np.count_nonzero(near), np.int64)
