"""A known flat in place of the mirror: what the measuring chain itself is worth.

Makers of front-surface mirrors on ordinary float glass quote about 12 fringes of 633 nm per 25 mm: as a bow 3.8 um over
25 mm, 0.6 mrad at its edge. Better plate is several times flatter; so the test says that nothing is badly wrong, and is
no reference at the 0.1 mrad level.
"""

from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.describe.footprint import Footprint
from rigwarp.as_built.describe.form import FormFigures

FLOAT_GLASS_MRAD = 0.6
_FLOAT_GLASS_BOW_UM, _OVER_MM = 3.8, 25.0
_FLAT = 1e-9  # spread of the design's slopes below which it is a flat


@dataclass(frozen=True, kw_only=True)
class Acceptance:
    """A flat as measured, against common practice for float glass.

    Attributes
    ----------
    slope_rms_mrad : with power where the scan tells it, else without.
    bow_um : of the best-fitting sphere over the lit part; NaN where the scan does not tell the power.
    bow_allowed_um : of ordinary float glass over the same width: grows with its square.
    passed : slope (and bow, where it is told) within what such glass has.
    """

    slope_rms_mrad: float
    bow_um: float
    bow_allowed_um: float
    passed: bool


def acceptance_of(
    grid: Footprint, figures: FormFigures, *, radius_mm: float, power_determined: bool
) -> Acceptance | None:
    """The acceptance figures where the design is one flat panel, else None; `radius_mm` is that of the lit part."""
    upward = grid.points.upward
    if len(np.unique(grid.zone[grid.lit])) != 1 or float(np.ptp(upward[:, :2], axis=0).max()) > _FLAT:
        return None
    slope = figures.slope_rms_mrad if power_determined else figures.slope_rms_without_power_mrad
    bow = abs(figures.power_pv_um) if power_determined else float("nan")
    allowed = _FLOAT_GLASS_BOW_UM * (2.0 * radius_mm / _OVER_MM) ** 2
    return Acceptance(
        slope_rms_mrad=slope,
        bow_um=bow,
        bow_allowed_um=allowed,
        passed=bool(slope < FLOAT_GLASS_MRAD and not bow > allowed),
    )
