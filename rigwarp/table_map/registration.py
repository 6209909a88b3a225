"""Registering the design's pose to the samples: projector and mirror as mounted, within their tolerances."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.geometry.robust import HUBER_CLOSE, normal_prior, robust_least_squares, sigma_per_axis
from rigwarp.geometry.threads import in_two_threads
from rigwarp.rig import Rig
from rigwarp.table_map.plausibility import DesignAgreement, design_agreement
from rigwarp.tracing import OpticalModel

_MOST_SAMPLES = 2500
_ITERATIONS = 8
_DONE = 1e-4  # a step below this share of every tolerance ends the iteration
_WORTH = 20.0  # samples: what a rigid move cannot explain is common to neighbours, so thousands count as a few tens
_SAME = 0.25  # of every tolerance: nearer than this the derivatives are those of before
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
    agreement : whether the tolerances explain that distance, and what would if they do not.
    """

    shifts: Array
    model: OpticalModel
    rms_before_mm: float
    rms_after_mm: float
    agreement: DesignAgreement


def shifts_by_name(shifts: Array) -> dict[str, list[float]]:
    """(12,) `Registration.shifts` for people and files: mm and degrees, three each."""
    names = ("projector_shift_mm", "projector_turn_deg", "mirror_shift_mm", "mirror_turn_deg")
    moves, turns = shifts.reshape(4, 3), np.degrees(shifts.reshape(4, 3))
    return {name: (turns if name.endswith("deg") else moves)[i].tolist() for i, name in enumerate(names)}


def mounting_tolerances(projector_mm: float, projector_rad: float, mirror_mm: float, mirror_rad: float) -> Array:
    """(12,) 1-sigma priors in the order of `Registration.shifts`."""
    return np.repeat([projector_mm, projector_rad, mirror_mm, mirror_rad], 3)


def rig_tolerances(rig: Rig) -> Array:
    """(12,) `mounting_tolerances` of a rig file."""
    projector, mirror = rig.projector, rig.mirror
    return mounting_tolerances(
        projector.position_tolerance_mm,
        projector.rotation_tolerance_rad,
        mirror.position_tolerance_mm,
        mirror.rotation_tolerance_rad,
    )


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

    latest: dict[str, Array] = {}  # derivative, and where
    drawn: dict[str, Array] = {}  # what the first pass finds, which is that of the design as drawn

    def misfit(scaled: Array) -> Array:
        return table_mm - trace_zones(apply_shifts(model, scaled * tolerances), pixels_px, zone)

    def linearised(scaled: Array) -> tuple[Array, Callable[[], Array]]:
        residual = misfit(scaled)

        def derivative() -> Array:
            if "at" not in latest or np.abs(scaled - latest["at"]).max() > _SAME:
                aside = scaled + _STEP * np.eye(12)
                moved = in_two_threads(misfit, aside)
                latest["derivative"] = np.stack([(residual - one) / _STEP for one in moved], axis=-1)
                latest["at"] = scaled
            drawn.setdefault("residual", residual)
            drawn.setdefault("derivative", latest["derivative"])
            return latest["derivative"]

        return residual, derivative

    scaled = robust_least_squares(
        linearised,
        np.zeros(12),
        prior=normal_prior(np.eye(12)),
        sigma=lambda residual: max(sigma_per_axis(residual), _SMALLEST_MISFIT_MM),
        limit=HUBER_CLOSE,
        passes=_ITERATIONS,
        settled=lambda step: bool(np.max(np.abs(step)) < _DONE),
        worth=_WORTH,
        tries=6,
    ).unknowns
    shifts = scaled * tolerances
    return Registration(
        shifts=shifts,
        model=apply_shifts(model, shifts),
        rms_before_mm=_rms(drawn["residual"]),
        rms_after_mm=_rms(misfit(scaled)),
        agreement=design_agreement(table_mm - drawn["residual"], table_mm, drawn["derivative"], shifts, tolerances),
    )


def trace_zones(model: OpticalModel, pixels_px: Array, zone: NDArray[np.int64]) -> Array:
    """(N, 2) landing of each pixel by its own zone's smooth continuation, mm."""
    landed = np.full(pixels_px.shape, np.nan)
    for number in np.unique(zone):
        here = zone == number
        light = model.reflection(model.pixel_rays(pixels_px[here]), extended=True, zone=int(number))
        landed[here] = model.landing_mm(light)[:, :2]
    return landed


def _rms(residual_mm: Array) -> float:
    return float(np.sqrt(np.nanmean(np.sum(residual_mm**2, axis=-1))))
