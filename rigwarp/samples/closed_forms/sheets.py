"""A flat mirror, plain or behind a clear sheet: what it reflects, by how many beams, and where they go."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rigwarp.geometry import Array


def fresnel(n1: complex, n2: complex, cos_in: float) -> tuple[float, float, complex]:
    """Reflectance of s- and p-polarised light at a boundary, and the cosine behind it.

    Parameters
    ----------
    n1, n2 : refractive indices (n + ik) before and behind the boundary.
    cos_in : of the angle of incidence in the first medium.

    Notes
    -----
    Fresnel's equations; Born and Wolf, Principles of Optics, sec. 1.5.
    """
    sin_out = n1 * np.sqrt(1.0 - cos_in**2 + 0j) / n2
    cos_out = np.sqrt(1.0 - sin_out**2 + 0j)
    s = (n1 * cos_in - n2 * cos_out) / (n1 * cos_in + n2 * cos_out)
    p = (n2 * cos_in - n1 * cos_out) / (n2 * cos_in + n1 * cos_out)
    return float(abs(s) ** 2), float(abs(p) ** 2), complex(cos_out)


@dataclass(frozen=True, kw_only=True)
class SheetBeams:
    """Shares of the light in the beams of a second-surface mirror: off the front, main, third; and of all together."""

    front: float
    main: float
    third: float
    total: float

    @property
    def front_to_main(self) -> float:
        """Strength of the front's reflection relative to the main one."""
        return self.front / self.main

    @property
    def third_to_main(self) -> float:
        """Strength of the third beam relative to the main one."""
        return self.third / self.main


def beams_of(front: float, rear: float, transmitted: float = 1.0) -> SheetBeams:
    """Beams of one polarisation, added up as intensities.

    Parameters
    ----------
    front, rear : reflectance of the clear front and of the metal behind it.
    transmitted : share of light that the two passes through the sheet leave.
    """
    inside = rear * transmitted
    main = (1.0 - front) ** 2 * inside
    return SheetBeams(front=front, main=main, third=main * front * inside, total=front + main / (1.0 - front * inside))


def sheet_beams(index: float, rear: float, incidence_rad: float) -> SheetBeams:
    """Beams of unpolarised light on a sheet of this index, whose rear reflects the share `rear` of either polarisation.

    The mean of s and p is taken after the sums, since each keeps its own way through the sheet.
    """
    s, p, _ = fresnel(1.0, index, float(np.cos(incidence_rad)))
    ways = [beams_of(s, rear), beams_of(p, rear)]
    return SheetBeams(
        front=0.5 * (ways[0].front + ways[1].front),
        main=0.5 * (ways[0].main + ways[1].main),
        third=0.5 * (ways[0].third + ways[1].third),
        total=0.5 * (ways[0].total + ways[1].total),
    )


def rear_reflectance(index: float, total: float, incidence_rad: float) -> float:
    """Reflectance of the metal behind a sheet that reflects the share `total` altogether; from 0.05 to 1."""

    def beyond(rear: float) -> float:
        return sheet_beams(index, rear, incidence_rad).total - total

    if beyond(_DULLEST) >= 0.0:
        return _DULLEST
    return float(brentq(beyond, _DULLEST, 1.0)) if beyond(1.0) > 0.0 else 1.0


_DULLEST = 0.05


def ghost_distance_mm(thickness_mm: float, index: float, incidence_rad: Array | float) -> Array:
    """Distance of neighbouring beams of a sheet, perpendicular to them; in the plane of incidence."""
    sine, cosine = np.sin(incidence_rad), np.cos(incidence_rad)
    return np.asarray(2.0 * thickness_mm * sine * cosine / np.sqrt(index**2 - sine**2))
