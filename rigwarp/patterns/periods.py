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


# By how much blur may stretch the periods. They are never shrunk: a sharp picture shows the projector's pixels as
# steps, which shift the phase by up to 1 / (P - 1) of the amplitude, more than a shorter period gains. Beyond three
# times nothing is won, since so blurred a picture has no use for precision.
_STRETCH = (1.0, 3.0)


def choose_periods_px(extent_px: int, *, blur_px: float | None = None) -> tuple[float, ...]:
    """Four periods (pixels) that are unambiguous over `extent_px` pixels.

    Parameters
    ----------
    extent_px : projector pixels along the axis.
    blur_px : sigma of the defocus in projector pixels. The noise of a position is least at a period of 2 pi sigma
        (amplitude exp(-2 pi^2 sigma^2 / P^2) times slope 2 pi / P); the periods are stretched towards it. None: as they
        are, best for a sigma of 3.6 px.

    Raises
    ------
    InputError
        If no set reaches that far.
    """
    reach_limit_px = _PERIODS_PX[-1][0]
    if extent_px > reach_limit_px:
        raise InputError(
            f"projector.resolution: {extent_px} px is more than the pattern periods can tell apart "
            f"({reach_limit_px} px); use a lower output resolution"
        )
    stretch = 1.0
    if blur_px is not None:
        wanted = 2 * np.pi * blur_px / float(np.mean(_PERIODS_PX[0][1]))
        stretch = float(np.clip(wanted, *_STRETCH))
    # a scaled set tells positions apart over a scaled distance
    periods = next(periods for reach_px, periods in _PERIODS_PX if extent_px / stretch <= reach_px)
    return tuple(round(period * stretch, 3) for period in periods)


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
