"""Optics of flat mirrors in closed form: reflectance and beams of sheets, how light spreads, the beam's footprint."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import j1

from rigwarp.geometry import Array

_DULLEST = 0.05  # reflectance of metal


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
    ways = [vars(beams_of(one, rear)) for one in (s, p)]
    return SheetBeams(**{name: 0.5 * (ways[0][name] + ways[1][name]) for name in ways[0]})


def rear_reflectance(index: float, total: float, incidence_rad: float) -> float:
    """Reflectance of the metal behind a sheet that reflects the share `total` altogether; from 0.05 to 1."""

    def beyond(rear: float) -> float:
        return sheet_beams(index, rear, incidence_rad).total - total

    if beyond(_DULLEST) >= 0.0:
        return _DULLEST
    return float(brentq(beyond, _DULLEST, 1.0)) if beyond(1.0) > 0.0 else 1.0


def ghost_distance_mm(thickness_mm: float, index: float, incidence_rad: Array | float) -> Array:
    """Distance of neighbouring beams of a sheet, perpendicular to them; in the plane of incidence."""
    sine, cosine = np.sin(incidence_rad), np.cos(incidence_rad)
    return np.asarray(2.0 * thickness_mm * sine * cosine / np.sqrt(index**2 - sine**2))


def gaussian_modulation(sigma_mm: float | Array, per_mm: Array) -> Array:
    """exp(-2 pi^2 sigma^2 f^2), for stripes of f cycles per mm and a spread of this 1-sigma."""
    return np.asarray(np.exp(-2.0 * np.pi**2 * np.square(sigma_mm) * np.square(per_mm)))


def aperture_modulation(width_mm: float, per_mm: Array) -> Array:
    """|sin(pi f a) / (pi f a)|, for light spread evenly over this width."""
    return np.asarray(np.abs(np.sinc(width_mm * np.asarray(per_mm))))


def disc_modulation(diameter_mm: float, per_mm: Array | float) -> Array:
    """2 J1(pi D f) / (pi D f), for light spread evenly over a disc; signed."""
    turn = np.pi * diameter_mm * np.asarray(per_mm, float)
    small = np.abs(turn) < 1e-6
    safe = np.where(small, 1.0, turn)
    return np.where(small, 1.0, 2.0 * j1(safe) / safe)


def beams_modulation(places_mm: Array, strengths: Array, per_mm: Array | float) -> Array:
    """|sum w exp(2 pi i f x)| / sum w, for beams (..., n) that arrive side by side, at frequencies that broadcast."""
    turn = np.exp(2j * np.pi * np.asarray(per_mm)[..., None] * places_mm)
    return np.asarray(np.abs(turn @ np.asarray(strengths, float)) / float(np.sum(strengths)))


def rough_scatter(roughness_nm: float, wavelength_nm: float, incidence_rad: float = 0.0) -> tuple[float, float]:
    """Share of reflected light that a rough surface scatters: for smooth surfaces, and Davies' exponential."""
    smooth = float((4.0 * np.pi * roughness_nm * np.cos(incidence_rad) / wavelength_nm) ** 2)
    return smooth, float(-np.expm1(-smooth))


def footprint_mm(pupil_mm: float, near_mm: float, far_mm: float) -> float:
    """Width on the mirror of the light that meets at one point of the screen."""
    return pupil_mm * far_mm / (near_mm + far_mm)


def shadow_mm(pupil_mm: float, near_mm: float, far_mm: float) -> float:
    """Width on the screen of the half-shadow of an edge at the mirror."""
    return pupil_mm * far_mm / near_mm
