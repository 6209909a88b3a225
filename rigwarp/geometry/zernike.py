"""Zernike functions in OSA/ANSI order (ANSI Z80.28, the same functions as ISO 24157), and the disk around points."""

from dataclasses import dataclass
from math import factorial

import cv2
import numpy as np

from rigwarp.geometry.arrays import Array

_TERM_WORDS = {
    (0, 0): "piston",
    (1, 1): "tilt",
    (2, -2): "astigmatism 45°",
    (2, 0): "power",
    (2, 2): "astigmatism",
    (3, 1): "coma",
    (3, 3): "trefoil",
    (4, 0): "spherical",
    (4, 2): "2nd astigmatism",
    (4, 4): "quadrafoil",
    (5, 1): "2nd coma",
    (5, 3): "2nd trefoil",
    (6, 0): "2nd spherical",
}  # for either sign of m where only one is named


def osa_terms(order: int) -> tuple[tuple[int, int], ...]:
    """(n, m) up to an order n, in the order j = (n (n + 2) + m) / 2."""
    return tuple((n, m) for n in range(order + 1) for m in range(-n, n + 1, 2))


def zernike(n: int, m: int, rho: Array, theta: Array) -> Array:
    """Z(n, m) at (...,) polar coordinates of the unit disk, mean square 1 over the disk.

    N R(rho) cos(m theta) for m >= 0, N R(rho) sin(|m| theta) for m < 0, N = sqrt((2 - delta_m0) (n + 1)).

    Raises
    ------
    ValueError
        Where no such function exists.
    """
    k = abs(m)
    if k > n or (n - k) % 2:
        raise ValueError(f"there is no Zernike function n = {n}, m = {m}: n - |m| must be even and not negative")
    radial = np.zeros(np.shape(rho))
    for i in range((n - k) // 2 + 1):
        c = (-1) ** i * factorial(n - i) / (factorial(i) * factorial((n + k) // 2 - i) * factorial((n - k) // 2 - i))
        radial = radial + c * np.asarray(rho, float) ** (n - 2 * i)
    angular = np.cos(k * np.asarray(theta, float)) if m >= 0 else np.sin(k * np.asarray(theta, float))
    return np.asarray(np.sqrt((1.0 if m == 0 else 2.0) * (n + 1)) * radial * angular, float)


@dataclass(frozen=True, kw_only=True)
class Disk:
    """A circular aperture: centre (2,) and radius, mm."""

    centre_mm: Array
    radius_mm: float

    def functions(self, xy_mm: Array, terms: tuple[tuple[int, int], ...]) -> Array:
        """(N, terms) Zernike functions at points (N, 2)."""
        x, y = ((xy_mm - self.centre_mm) / self.radius_mm).T
        rho, theta = np.hypot(x, y), np.arctan2(y, x)
        return np.stack([zernike(n, m, rho, theta) for n, m in terms], axis=-1)


def enclosing_disk(xy_mm: Array) -> Disk:
    """The smallest circle around points (N, 2); OpenCV finds its centre to 1e-6 of the radius."""
    middle = xy_mm.mean(axis=0)
    offset, _ = cv2.minEnclosingCircle((xy_mm - middle).astype(np.float32))
    centre = middle + np.array(offset)
    return Disk(centre_mm=centre, radius_mm=float(np.linalg.norm(xy_mm - centre, axis=-1).max()))


def term_name(n: int, m: int) -> str:
    """Zernike term in words where it has a name, OSA/ANSI order and norm."""
    word = _TERM_WORDS.get((n, m)) or _TERM_WORDS.get((n, abs(m)))
    return f"Z({n}, {m})" if word is None else f"Z({n}, {m}) {word}"
