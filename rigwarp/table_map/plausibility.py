"""Can the mounting tolerances explain how far samples and design differ? If not: which mistake of a person would?"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigwarp.geometry import Array
from rigwarp.geometry.robust import (
    HUBER_CLOSE,
    chi_squared_limit,
    normal_prior,
    robust_least_squares,
    sigma_per_axis,
)

CHANCE = 1e-6
"""How rarely a rig within its tolerances may be called a mistake."""
_QUARTER_TURNS = 4
_LEAST_SCALE_ERROR = 0.05  # prints are never off by that much, and no usual tolerance scales the table so
_MOST_SAMPLES = 500
_WORTH = 20.0  # samples: what a rigid move cannot explain is common to neighbours, so thousands count as a few tens
_SMALLEST_MM = 0.1  # a design never agrees better with samples than that, as drawn or moved
_PASSES, _DONE = 8, 0.02  # a step below that share of every tolerance is the last
_SCALE_PRECISION = 1e-6  # of the scale's prior: it is free
_FORM_ALLOWANCE = 4.0  # times the strain that chance allows: form and optics push the mounting as well
_REACHES, _EXTENTS = 3.0, 0.2
"""A rigid move leaves at most so many times what the tolerances reach, or this share of the picture's size."""

Mistake = Literal["none", "turned", "mirrored", "scaled", "unexplained"]


@dataclass(frozen=True, kw_only=True)
class DesignAgreement:
    """How samples lie against the design as drawn.

    Attributes
    ----------
    mistake : "none" where the tolerances explain the difference; otherwise what would explain it.
    turn_deg : of the measured table against the designed one, multiple of 90, where it is "turned" or "mirrored".
    scale : measured over designed lengths, 1 unless "scaled".
    rms_mm : distance between samples and design as drawn.
    left_mm : 1-sigma per axis of what the best mounting leaves of it once the mistake is undone.
    reach_mm : rms distance that the mounting tolerances make (1-sigma).
    strain : sum of squares of the mounting's (12,) shifts over their tolerances after registration.
    strain_limit : what chance exceeds once in a million.
    """

    mistake: Mistake
    turn_deg: float
    scale: float
    rms_mm: float
    left_mm: float
    reach_mm: float
    strain: float
    strain_limit: float


@dataclass(frozen=True, kw_only=True)
class _Candidate:
    """A way in which the table may have been taken, and how well the design then fits: `cost` is -2 log likelihood."""

    mistake: Mistake
    turn_deg: float = 0.0
    scale: float = 1.0
    left_mm: float
    cost: float


def design_agreement(
    design_mm: Array, table_mm: Array, derivative_mm: Array, shifts: Array, tolerances: Array
) -> DesignAgreement:
    """Compare samples with the design as drawn, and name the likely mistake where tolerances cannot explain them.

    Parameters
    ----------
    design_mm, table_mm : (N, 2) where the design as drawn sends each sample's pixel, and where it was seen; NaN drops
        out.
    derivative_mm : (N, 2, 12) landing per mounting parameter, each for one tolerance.
    shifts, tolerances : (12,) of the registration.

    Notes
    -----
    Candidates are the symmetries of a sheet laid down wrongly (turns by 90 degrees about the table's centre, and
    their mirror images) and one common scale, as wrong board sizes make it. Each is undone, and the mounting is fitted
    to what is left, linearly, within its tolerances. A candidate is named when that is so much likelier than with the
    table as it was taken that chance explains it once in a million.
    """
    good = np.isfinite(design_mm).all(axis=-1) & np.isfinite(table_mm).all(axis=-1)
    good &= np.isfinite(derivative_mm).all(axis=(-2, -1))
    design, table, derivative = design_mm[good], table_mm[good], derivative_mm[good]
    reach = float(np.sqrt(np.mean(np.sum(derivative**2, axis=(-2, -1)))))
    extent = float(np.sqrt(np.mean(np.sum((design - design.mean(axis=0)) ** 2, axis=-1))))
    strain, limit = float(np.sum((shifts / tolerances) ** 2)), chi_squared_limit(len(tolerances), CHANCE)
    every = slice(None, None, max(1, len(design) // _MOST_SAMPLES))
    as_taken, *others = _candidates(design[every], table[every], derivative[every])
    found = min(others, key=lambda candidate: candidate.cost)
    if as_taken.cost - found.cost < chi_squared_limit(1, CHANCE):
        found = as_taken
    mistake = found.mistake
    far = found.left_mm > max(_REACHES * reach, _EXTENTS * extent)
    if mistake == "none" and (far or strain > _FORM_ALLOWANCE * limit):
        mistake = "unexplained"
    return DesignAgreement(
        mistake=mistake,
        turn_deg=found.turn_deg,
        scale=found.scale,
        rms_mm=float(np.sqrt(np.mean(np.sum((design - table) ** 2, axis=-1)))),
        left_mm=found.left_mm,
        reach_mm=reach,
        strain=strain,
        strain_limit=limit,
    )


def mistake_in_words(found: DesignAgreement, *, square_mm: float) -> str:
    """One line for whoever calibrates; empty where there is no mistake.

    Parameters
    ----------
    square_mm : side of a square of the board as rig.toml has it.
    """
    if found.mistake == "turned":
        return (
            f"the map is your design turned by {found.turn_deg:.0f}°: did the sheet lie the other way round, or is the "
            "camera's photograph turned? Lay it with its printed top edge away from you, and photograph it again"
        )
    if found.mistake == "mirrored":
        return "the map is your design mirrored: are the photographs mirror images? Switch mirroring off in the camera"
    if found.mistake == "scaled":
        return (
            f"everything is {found.scale:.2f} of its size: {square_mm:g} mm squares in rig.toml, about "
            f"{square_mm / found.scale:.0f} mm on the sheet? Measure a square, correct square_mm and marker_mm, and "
            "make camera.json again; if they are right, the camera shows another part of its sensor than for "
            "camera.json (zoom, stabilisation, video instead of photo), or the mirror is curved otherwise than designed"
        )
    if found.mistake == "unexplained":
        return (
            f"samples and design differ by {found.rms_mm:.1f} mm rms, and the mounting tolerances in rig.toml explain "
            f"about {found.reach_mm:.1f} mm: compare position_mm, rotation_deg and the mirror's file with what was "
            "built"
        )
    return ""


def _candidates(design: Array, table: Array, derivative: Array) -> list[_Candidate]:
    """How well each fits; the table as it was taken is the first."""
    found = []
    for quarter in range(_QUARTER_TURNS):
        for mirrored in (False, True):
            undone = _turned(table * ([-1.0, 1.0] if mirrored else [1.0, 1.0]), -quarter)
            left, cost, _ = _fitted(design, undone, derivative)
            name: Mistake = "mirrored" if mirrored else "turned" if quarter else "none"
            found.append(_Candidate(mistake=name, turn_deg=90.0 * quarter, left_mm=left, cost=cost))
    left, cost, scale = _fitted(design, table, derivative, any_scale=True)
    if scale > 0.0 and abs(scale - 1.0) > _LEAST_SCALE_ERROR:
        found.append(_Candidate(mistake="scaled", scale=scale, left_mm=left, cost=cost))
    return found


def _fitted(design: Array, table: Array, derivative: Array, *, any_scale: bool = False) -> tuple[float, float, float]:
    """What the best mounting leaves (1-sigma per axis, mm), -2 log likelihood, and measured over designed lengths.

    The designed picture, moved, is the measured one times an unknown factor 1 + q: table = design + D x - q table.
    """
    columns = np.concatenate([derivative, -table[:, :, None]], axis=-1) if any_scale else derivative

    def linear(unknowns: Array) -> tuple[Array, Callable[[], Array]]:
        return table - design - columns @ unknowns, lambda: columns

    def spread(residual: Array) -> float:
        return max(sigma_per_axis(residual), _SMALLEST_MM)

    precision = np.eye(columns.shape[-1])
    precision[derivative.shape[-1] :] *= _SCALE_PRECISION
    unknowns = robust_least_squares(
        linear,
        np.zeros(len(precision)),
        prior=normal_prior(precision),
        sigma=spread,
        limit=HUBER_CLOSE,
        passes=_PASSES,
        settled=lambda step: bool(np.abs(step).max() < _DONE),
        worth=_WORTH,
    ).unknowns
    left, mounting = spread(linear(unknowns)[0]), unknowns[: derivative.shape[-1]]
    cost = float(mounting @ mounting) + 2.0 * min(_WORTH, len(table)) * float(np.log(left**2))
    return left, cost, 1.0 / (1.0 + float(unknowns[-1])) if any_scale else 1.0


def _turned(points_mm: Array, quarters: int) -> Array:
    """Turned counter-clockwise by quarters of a turn, exactly."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return np.stack([(x, y), (-y, x), (-x, -y), (y, -x)][quarters % _QUARTER_TURNS], axis=-1)
