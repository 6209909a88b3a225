"""The lean of lines of sight: from the measured place on the table and the registered mirror that they come from."""

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from rigwarp.geometry import Array, BoolArray
from rigwarp.table_map import Registration, apply_shifts
from rigwarp.tracing import OpticalModel
from rigwarp.view.design import lean_of
from rigwarp.view.parts import ViewPart

_STEP_PX = 8  # the mirror's points vary slowly: traced on a grid and interpolated
_ASKED = 200  # pixels for the uncertainty
_WORTH = 20.0  # samples: what the mounting cannot explain is common to neighbours, as in the registration
_SMALLEST_MM = 0.02
_STEP = 1e-3  # share of a tolerance for the numerical derivatives


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


def lean_sigma(
    part: ViewPart, registration: Registration, pixels_px: Array, table_mm: Array, zone: NDArray[np.int64]
) -> float:
    """1-sigma per axis of the lean over a part's own (N, 2) pixels: of what mounting and mirror leave open.

    The mounting's posterior after registration, carried to the lean at given places on the table; and what the
    registered design still misses of these places, which the mirror's shape may have to do with.
    """
    every = max(1, len(pixels_px) // _ASKED)
    pixels_px, table_mm, zone = pixels_px[::every], table_mm[::every], zone[::every]

    def landing_and_lean(shifts: Array) -> tuple[Array, Array]:
        model = apply_shifts(part.model, registration.shifts + shifts)
        landed, lean = np.full((len(zone), 2), np.nan), np.full((len(zone), 2), np.nan)
        for number in np.unique(zone):
            here = zone == number
            traced = model.trace(pixels_px[here], zone=int(number), extended=True)
            landed[here], lean[here] = traced.table_mm, lean_of(model, table_mm[here], traced.mirror_mm)
        return landed, lean

    landed, lean = landing_and_lean(np.zeros(12))
    moved = [landing_and_lean(_STEP * part.tolerances * one) for one in np.eye(12)]
    by_place = np.stack([(there - landed) / _STEP for there, _ in moved], axis=-1)
    by_lean = np.stack([(there - lean) / _STEP for _, there in moved], axis=-1)
    good = np.isfinite(by_place).all(axis=(1, 2)) & np.isfinite(by_lean).all(axis=(1, 2))
    if not good.any():
        return float("nan")
    sigma_mm = max(registration.rms_after_mm / np.sqrt(2.0), _SMALLEST_MM)
    rows = by_place[good].reshape(-1, 12) * np.sqrt(_WORTH / np.count_nonzero(good)) / sigma_mm
    covariance = np.linalg.inv(np.eye(12) + rows.T @ rows)
    from_mounting = np.einsum("nij,jk,nik->ni", by_lean[good], covariance, by_lean[good]).mean()
    height_mm = float(np.median(part.model.mirror.position_mm[2] - part.model.table_height_mm))
    from_shape = (0.5 * registration.rms_after_mm / np.sqrt(2.0) / max(height_mm, 1.0)) ** 2
    return float(np.sqrt(from_mounting + from_shape))
