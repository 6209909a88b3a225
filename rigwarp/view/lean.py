"""The lean of lines of sight: from the measured place on the table and the registered mirror that they come from."""

import numpy as np
from scipy.interpolate import RectBivariateSpline

from rigwarp.geometry import Array, BoolArray
from rigwarp.tracing import OpticalModel
from rigwarp.view.design import lean_of

_STEP_PX = 8  # the mirror's points vary slowly: traced on a grid and interpolated


def lean_at(model: OpticalModel, zone: int, here: BoolArray, table_mm: Array) -> Array:
    """(N, 2) lean of the model's own N pixels that are `here` (H, W), from where they see the table (N, 2)."""
    v, u = np.nonzero(here)
    height, width = here.shape
    across, down = (np.arange(0, n + _STEP_PX, _STEP_PX, dtype=float) for n in (width, height))
    grid = np.stack(np.meshgrid(across, down, indexing="ij"), axis=-1)
    at = model.trace(grid, zone=zone, extended=True).mirror_mm
    if np.isfinite(at).all():
        at = np.stack([RectBivariateSpline(across, down, at[..., i]).ev(u, v) for i in range(3)], axis=-1)
    else:
        at = model.trace(np.stack([u, v], axis=-1).astype(float), zone=zone, extended=True).mirror_mm
    return lean_of(model, table_mm, at)
