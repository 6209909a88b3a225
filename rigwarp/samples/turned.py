"""A sample measured once as it lies, and once turned by 90 degrees: what turns with it is the material's."""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array


@dataclass(frozen=True, kw_only=True)
class Turned:
    """How unlike the two directions are, as a ratio (in the plane of incidence over across it), and by whose doing.

    Attributes
    ----------
    material : the factor that turned with the sample. bench : the one that stayed; slopes make 1 / cos(incidence).
        NaN where a blur is not above zero.
    crests_turned_deg : by how much the crests of the waves turned, 0 to 90: 90 for waves of the material.
    """

    material: float
    bench: float
    crests_turned_deg: float


def by_turning(before: Array, after: Array, crests_deg: tuple[float, float]) -> Turned:
    """Tell them apart.

    Parameters
    ----------
    before, after : (2,) blur in the plane of incidence and across it, as the sample lies and turned.
    crests_deg : direction of the waves' crests before and after.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        first, second = (float(np.where(np.all(one > 0.0), one[0] / one[1], np.nan)) for one in (before, after))
    moved = (crests_deg[1] - crests_deg[0]) % 180.0
    return Turned(
        material=float(np.sqrt(first / second)),
        bench=float(np.sqrt(first * second)),
        crests_turned_deg=float(min(moved, 180.0 - moved)),
    )
