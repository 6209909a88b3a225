"""Optics of mirror samples that the tests compare with, and the product does not need."""

import numpy as np
from scipy.special import j0

from rigwarp.geometry import Array


def face_weights(index: float, incidence_rad: float) -> Array:
    """How slopes of a sheet's faces turn the main beam.

    Returns
    -------
    (2, 2)
        mrad of the beam per mrad of slope: rows in and out of the plane of incidence, columns rear and front face.
    """
    cosine = np.cos(incidence_rad)
    inside = np.sqrt(index**2 - np.sin(incidence_rad) ** 2)
    return 2.0 * np.array([[inside / cosine, 1.0 - inside / cosine], [inside, cosine - inside]])


def ripple_modulation(amplitude_mm: float, per_mm: Array | float) -> Array:
    """J0(2 pi f d), for light moved to and fro by a sinusoid of this amplitude; signed."""
    return np.asarray(j0(2.0 * np.pi * np.asarray(per_mm) * amplitude_mm))


def beyond(angle: float | Array, sigma: float) -> Array:
    """Share of a round two-dimensional normal spread beyond an angle, both in one unit."""
    return np.asarray(np.exp(-0.5 * np.square(np.asarray(angle) / sigma)))


def brightness_ripple(slope_rad: float, wavelength_mm: float, near_mm: float, far_mm: float) -> float:
    """Share by which a sinusoidal slope of this amplitude brightens and darkens, at normal incidence.

    At an angle it is this divided by the cosine in the plane of incidence and times the cosine out of it (Coddington).
    """
    return 2.0 * near_mm * far_mm / (near_mm + far_mm) * slope_rad * 2.0 * np.pi / wavelength_mm


def acceptance(angle_mrad: float, shares: Array, sigmas_mrad: Array) -> float:
    """Share of a sum of round normal spreads within an angle."""
    return float(np.sum(shares * (1.0 - np.exp(-0.5 * (angle_mrad / np.asarray(sigmas_mrad)) ** 2))))
