"""How light spreads: the modulation left of stripes, the share beyond an angle, the beam's footprint."""

import numpy as np
from scipy.special import j1

from rigwarp.geometry import Array


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
