"""Four sinusoid periods whose phases together tell every position in the projector apart.

All four are short, so light that is scattered widely (between mirror and table, in the lens) is constant to all of
them; the position comes from how their phases differ. Gupta and Nayar (2012), Micro phase shifting, CVPR.
"""

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry import Array

# Extent in pixels up to which each set of four serves. The first is the measured recommendation for 1280 pixels; the
# others are the widest-separated of 12,000 random quarter-pixel sets between 17.5 and 26 px (code_separation).
_PERIODS_PX = (
    (1280, (18.0, 22.75, 24.25, 25.25)),
    (2048, (20.75, 24.75, 25.0, 26.0)),
    (4096, (20.75, 22.5, 23.75, 25.0)),
)


def choose_periods_px(extent_px: int) -> tuple[float, ...]:
    """Four periods (pixels) that are unambiguous over `extent_px` pixels.

    Raises
    ------
    InputError
        If no set reaches that far.
    """
    for reach_px, periods_px in _PERIODS_PX:
        if extent_px <= reach_px:
            return periods_px
    raise InputError(
        f"projector.resolution: {extent_px} px is more than the pattern periods can tell apart "
        f"({_PERIODS_PX[-1][0]} px); use a lower output resolution"
    )


def code_separation(periods_px: tuple[float, ...], extent_px: float, *, step_px: float = 0.25) -> float:
    """How far apart the phases of the two most easily confused positions are.

    Parameters
    ----------
    periods_px : periods of the set.
    extent_px : greatest distance between two positions.
    step_px : sampling of the distance.

    Returns
    -------
    float
        Root of the summed squared phase differences, cycles, for the worst distance above half the shortest period.
        Phase noise well below half of this per set never picks the wrong period.
    """
    distance_px: Array = np.arange(min(periods_px) / 2, extent_px, step_px)
    turns = distance_px[:, None] / np.asarray(periods_px)
    turns = turns - np.round(turns)
    return float(np.sqrt(np.sum(turns**2, axis=1)).min())
