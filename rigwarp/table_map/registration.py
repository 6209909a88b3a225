"""Registering the design's pose to the samples: projector and mirror as mounted, within their tolerances."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.tracing import OpticalModel

_MOST_SAMPLES = 2500
_ITERATIONS = 8
_DONE = 1e-4  # a step below this share of every tolerance ends the iteration
_HUBER = 2.0
_WORTH = 40.0
_STEP = 1e-3  # share of a tolerance for the numerical derivatives
_SMALLEST_MISFIT_MM = 0.02  # a built mirror never agrees better with a rigid move of its design


@dataclass(frozen=True, kw_only=True)
class Registration:
    """A rigid move of projector and mirror that brings the design close to the samples.

    Attributes
    ----------
    shifts : (12,)
        Projector shift mm, projector turn rad, mirror shift mm, mirror turn rad, three each, along table axes.
    model : the design, moved.
    rms_before_mm, rms_after_mm : distance between design and samples.
    """

    shifts: Array
    model: OpticalModel
    rms_before_mm: float
    rms_after_mm: float


def mounting_tolerances(projector_mm: float, projector_rad: float, mirror_mm: float, mirror_rad: float) -> Array:
    """(12,) 1-sigma priors in the order of `Registration.shifts`."""
    return np.repeat([projector_mm, projector_rad, mirror_mm, mirror_rad], 3)


def apply_shifts(model: OpticalModel, shifts: Array) -> OpticalModel:
    """The model moved by (12,) shifts."""
    return model.moved(shifts[0:3], shifts[3:6], shifts[6:9], shifts[9:12])


def register(
    model: OpticalModel, pixels_px: Array, table_mm: Array, zone: NDArray[np.int64], tolerances: Array
) -> Registration:
    """Maximum a posteriori pose, by Gauss-Newton with Huber weights.

    Parameters
    ----------
    model : the traced design.
    pixels_px, table_mm : (N, 2) samples.
    zone : (N,) which zone each is lit by.
    tolerances : (12,) 1-sigma of the mounting, see `mounting_tolerances`.
    """
    every = max(1, len(pixels_px) // _MOST_SAMPLES)
    pixels_px, table_mm, zone = pixels_px[::every], table_mm[::every], zone[::every]

    def landing(scaled: Array) -> Array:
        return trace_zones(apply_shifts(model, scaled * tolerances), pixels_px, zone)

    scaled = np.zeros(12)
    residual = table_mm - landing(scaled)
    before = _rms(residual)
    for _ in range(_ITERATIONS):
        base = table_mm - residual
        columns = [(landing(scaled + _STEP * np.eye(12)[k]) - base).ravel() / _STEP for k in range(12)]
        step = _step(np.stack(columns, axis=1), residual, scaled)
        scaled, residual = _damped(scaled, step, residual, lambda s: table_mm - landing(s))
        if np.max(np.abs(step)) < _DONE:
            break
    shifts = scaled * tolerances
    return Registration(
        shifts=shifts, model=apply_shifts(model, shifts), rms_before_mm=before, rms_after_mm=_rms(residual)
    )


def trace_zones(model: OpticalModel, pixels_px: Array, zone: NDArray[np.int64]) -> Array:
    """(N, 2) landing of each pixel by its own zone's smooth continuation, mm."""
    landed = np.full(pixels_px.shape, np.nan)
    for number in np.unique(zone):
        here = zone == number
        landed[here] = model.trace(pixels_px[here], zone=int(number), extended=True).table_mm
    return landed


def _rms(residual_mm: Array) -> float:
    return float(np.sqrt(np.nanmean(np.sum(residual_mm**2, axis=-1))))


def _scale(residual_mm: Array) -> float:
    """Robust per-axis spread of the residuals."""
    return max(float(np.nanmedian(np.linalg.norm(residual_mm, axis=-1))) / 1.177, _SMALLEST_MISFIT_MM)


def _step(jacobian: Array, residual: Array, scaled: Array) -> Array:
    """One Gauss-Newton step with unit priors on the scaled parameters."""
    sigma = _scale(residual)
    distance = np.linalg.norm(residual, axis=-1) / sigma
    weight = np.repeat(np.minimum(1.0, _HUBER / np.maximum(distance, 1e-9)), 2) / sigma**2
    flat = residual.ravel()
    good = np.isfinite(flat) & np.isfinite(jacobian).all(axis=1)
    a, w = jacobian[good], weight[good]
    # what a rigid move cannot explain is common to neighbours: thousands of samples are worth a few tens
    w = w * min(1.0, _WORTH / np.count_nonzero(good))
    normal = a.T @ (w[:, None] * a) + np.eye(len(scaled))
    return np.asarray(np.linalg.solve(normal, a.T @ (w * flat[good]) - scaled), float)


def _damped(scaled: Array, step: Array, residual: Array, evaluate) -> tuple[Array, Array]:  # type: ignore[no-untyped-def]
    """Halve the step until the misfit does not grow."""
    now = _scale(residual)
    for _ in range(6):
        trial = evaluate(scaled + step)
        if _scale(trial) <= now * 1.001 and np.isfinite(trial).mean() > 0.9:
            return scaled + step, trial
        step = step / 2
    return scaled, residual
