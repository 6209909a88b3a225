"""Can the mounting tolerances explain how far samples and design differ? If not: which mistake of a person would?"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtri

from rigwarp.geometry import Array

CHANCE = 1e-6
"""How rarely a rig within its tolerances may be called a mistake."""
_QUARTER_TURNS = 4
_LEAST_SCALE_ERROR = 0.05  # prints are never off by that much, and no usual tolerance scales the table so
_MUCH_BETTER = 0.25  # of the squared misfit as drawn must be left by what is named as the mistake
_WELL_MEASURED = 1.5  # times the tolerances' reach: what may be left of the misfit once a mistake is undone

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
    rms_undone_mm : the same once the mistake is undone; equal to rms_mm where there is none.
    reach_mm : rms distance that the mounting tolerances make (1-sigma).
    strain : sum of squares of the mounting's (12,) shifts over their tolerances after registration.
    strain_limit : what chance exceeds once in a million.
    """

    mistake: Mistake
    turn_deg: float
    scale: float
    rms_mm: float
    rms_undone_mm: float
    reach_mm: float
    strain: float
    strain_limit: float


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
    their mirror images) and one common scale, as wrong board sizes make it. A candidate is named when undoing it
    leaves less than a quarter of the squared misfit and no more than the tolerances reach.
    """
    good = np.isfinite(design_mm).all(axis=-1) & np.isfinite(table_mm).all(axis=-1)
    good &= np.isfinite(derivative_mm).all(axis=(-2, -1))
    design, table = design_mm[good], table_mm[good]
    reach = float(np.sqrt(np.mean(np.sum(derivative_mm[good] ** 2, axis=(-2, -1)))))
    strain = float(np.sum((shifts / tolerances) ** 2))
    limit = float(chdtri(len(tolerances), CHANCE))
    rms = _rms(design - table)
    mistake, turn_deg, scale, left = _best_candidate(design, table)
    tolerable = strain <= limit and rms <= np.sqrt(limit) * reach
    explains = left <= np.sqrt(_MUCH_BETTER) * rms and left <= max(_WELL_MEASURED * reach, 0.1 * rms)
    if tolerable and not (mistake in ("turned", "mirrored") and explains):
        return _agreement("none", 0.0, 1.0, rms, rms, reach, strain, limit)
    if explains:
        return _agreement(mistake, turn_deg, scale, rms, left, reach, strain, limit)
    return _agreement("unexplained", 0.0, 1.0, rms, rms, reach, strain, limit)


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
            "make camera.json again"
        )
    if found.mistake == "unexplained":
        return (
            f"samples and design differ by {found.rms_mm:.1f} mm rms, and the mounting tolerances in rig.toml explain "
            f"about {found.reach_mm:.1f} mm: compare position_mm, rotation_deg and the mirror's file with what was "
            "built"
        )
    return ""


def _best_candidate(design: Array, table: Array) -> tuple[Mistake, float, float, float]:
    """The symmetry or scale that fits best: its name, turn in degrees, scale, and the rms that it leaves."""
    candidates: list[tuple[float, Mistake, float, float]] = []
    for quarter in range(_QUARTER_TURNS):
        for mirrored in (False, True):
            if quarter or mirrored:
                undone = _turned(table * ([-1.0, 1.0] if mirrored else [1.0, 1.0]), -quarter)
                name: Mistake = "mirrored" if mirrored else "turned"
                candidates.append((_rms(design - undone), name, 90.0 * quarter, 1.0))
    spread = design - design.mean(axis=0)  # a shift of the mounting is no scale
    scale = float(np.sum(table * spread) / max(np.sum(spread * spread), 1e-300))
    if abs(scale - 1.0) > _LEAST_SCALE_ERROR and scale > 0.0:
        candidates.append((_rms(design - table / scale), "scaled", 0.0, scale))
    left, name, turn_deg, factor = min(candidates)
    return name, turn_deg, factor, left


def _turned(points_mm: Array, quarters: int) -> Array:
    """Turned counter-clockwise by quarters of a turn, exactly."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return np.stack([(x, y), (-y, x), (-x, -y), (y, -x)][quarters % _QUARTER_TURNS], axis=-1)


def _rms(difference_mm: Array) -> float:
    return float(np.sqrt(np.mean(np.sum(difference_mm**2, axis=-1))))


def _agreement(
    mistake: Mistake, turn_deg: float, scale: float, rms: float, left: float, reach: float, strain: float, limit: float
) -> DesignAgreement:
    return DesignAgreement(
        mistake=mistake,
        turn_deg=turn_deg,
        scale=scale,
        rms_mm=rms,
        rms_undone_mm=left,
        reach_mm=reach,
        strain=strain,
        strain_limit=limit,
    )
