"""How surely a set of periods tells positions apart."""

import numpy as np

from rigwarp.geometry import Array


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
