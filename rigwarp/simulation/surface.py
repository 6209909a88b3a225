"""Mirror surfaces as height fields z(x, y): a conic plus whatever was done to it.

Heights and slopes are evaluated together, because the intersection needs both.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import comb, factorial, sqrt
from typing import Protocol

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline

from rigwarp.geometry import Array

_STEEPEST = 1e-6  # smallest value of 1 - (1 + k) c^2 r^2: keeps stray iterates finite beyond a sphere's equator


class HeightTerm(Protocol):
    """Something that adds to the height of a surface."""

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and its two slopes at (N,) positions."""


@dataclass(frozen=True, kw_only=True)
class Conic:
    """Conic sag c r^2 / (1 + sqrt(1 - (1 + k) c^2 r^2)) (ISO 10110-12); curvature 0 is a plane."""

    curvature_per_mm: float
    conic_constant: float

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes; beyond the equator the surface goes on steeply rather than ending."""
        c = self.curvature_per_mm
        if c == 0.0:
            zero = np.zeros_like(x_mm)
            return zero, zero, zero
        r2 = x_mm * x_mm + y_mm * y_mm
        root = np.sqrt(np.maximum(1.0 - (1.0 + self.conic_constant) * c * c * r2, _STEEPEST))
        slope_over_r = c / root
        return c * r2 / (1.0 + root), slope_over_r * x_mm, slope_over_r * y_mm


@dataclass(frozen=True, kw_only=True)
class Cylinder:
    """A circular cylinder that touches z = 0 along a line through the origin, `axis_rad` from x."""

    curvature_per_mm: float
    axis_rad: float

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes; like a conic, it goes on steeply beyond its side."""
        across_x, across_y = -np.sin(self.axis_rad), np.cos(self.axis_rad)
        s = across_x * x_mm + across_y * y_mm
        c = self.curvature_per_mm
        root = np.sqrt(np.maximum(1.0 - c * c * s * s, _STEEPEST))
        slope = c * s / root
        return c * s * s / (1.0 + root), slope * across_x, slope * across_y


@dataclass(frozen=True, kw_only=True)
class Even:
    """Even terms A4 r^4 + A6 r^6 + ... in mm."""

    coefficients: tuple[float, ...]

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes, by Horner's rule in r^2."""
        s = x_mm * x_mm + y_mm * y_mm
        value = np.zeros_like(s)
        slope = np.zeros_like(s)
        for i in range(len(self.coefficients) - 1, -1, -1):
            value = value * s + self.coefficients[i]
            slope = slope * s + (i + 2) * self.coefficients[i]
        slope *= 2.0 * s
        return value * s * s, slope * x_mm, slope * y_mm


@dataclass(frozen=True, kw_only=True)
class Polynomial:
    """sum c[i, j] X^i Y^j with X = (x - centre) / scale; c in mm."""

    coefficients: Array
    centre_mm: tuple[float, float]
    scale_mm: float

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes, by Horner's rule in X with Horner's rule in Y inside."""
        x = (x_mm - self.centre_mm[0]) / self.scale_mm
        y = (y_mm - self.centre_mm[1]) / self.scale_mm
        value, by_x, by_y = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        inner, inner_y = np.zeros_like(x), np.zeros_like(x)
        for row in self.coefficients[::-1]:
            by_x *= x
            by_x += value
            value *= x
            by_y *= x
            last = int(np.max(np.flatnonzero(row), initial=0))
            inner.fill(row[last])
            inner_y.fill(0.0)
            for c in row[:last][::-1]:
                inner_y *= y
                inner_y += inner
                inner *= y
                inner += c
            value += inner
            by_y += inner_y
        by_x /= self.scale_mm
        by_y /= self.scale_mm
        return value, by_x, by_y

    def about(self, centre_mm: tuple[float, float], scale_mm: float) -> "Polynomial":
        """The same polynomial written about another centre and scale."""
        grow = scale_mm / self.scale_mm
        shift = [(new - old) / self.scale_mm for new, old in zip(centre_mm, self.centre_mm, strict=True)]
        size = len(self.coefficients)
        to_x, to_y = (
            np.array(
                [[comb(i, a) * d ** (i - a) * grow**a if a <= i else 0.0 for a in range(size)] for i in range(size)]
            )
            for d in shift
        )
        return Polynomial(coefficients=to_x.T @ self.coefficients @ to_y, centre_mm=centre_mm, scale_mm=scale_mm)

    def plus(self, other: "Polynomial") -> "Polynomial":
        """Both as one, written like `other`."""
        own = self.about(other.centre_mm, other.scale_mm).coefficients
        size = max(len(own), len(other.coefficients))
        table = np.zeros((size, size))
        table[: len(own), : len(own)] += own
        table[: len(other.coefficients), : len(other.coefficients)] += other.coefficients
        return replace(other, coefficients=table)


@dataclass(frozen=True, kw_only=True)
class GaussianDent:
    """-depth exp(-d^2 / (2 sigma^2))."""

    position_mm: tuple[float, float]
    sigma_mm: float
    depth_mm: float

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        dx, dy = x_mm - self.position_mm[0], y_mm - self.position_mm[1]
        variance = self.sigma_mm**2
        z = -self.depth_mm * np.exp(-(dx * dx + dy * dy) / (2.0 * variance))
        return z, -z * dx / variance, -z * dy / variance


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """amplitude cos(2 pi s / period + phase), s along a direction; `direction_rad` None: from the middle outwards.

    Rings are what a lathe leaves; for phase != 0 they come to a point in the middle.
    """

    amplitude_mm: float
    period_mm: float
    direction_rad: float | None = None
    phase_rad: float

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes (of rings, 0 at the very centre)."""
        k = 2.0 * np.pi / self.period_mm
        if self.direction_rad is None:
            r = np.hypot(x_mm, y_mm)
            angle = k * r + self.phase_rad
            slope_over_r = -self.amplitude_mm * k * np.sin(angle) / np.maximum(r, 1e-12)
            return self.amplitude_mm * np.cos(angle), slope_over_r * x_mm, slope_over_r * y_mm
        kx, ky = k * np.cos(self.direction_rad), k * np.sin(self.direction_rad)
        angle = kx * x_mm + ky * y_mm + self.phase_rad
        slope = -self.amplitude_mm * np.sin(angle)
        return self.amplitude_mm * np.cos(angle), slope * kx, slope * ky


@dataclass(frozen=True, kw_only=True)
class Profile:
    """A surface of revolution through tabulated (r, z); beyond the table it goes on straight."""

    height: BSpline
    slope: BSpline
    r_range_mm: tuple[float, float]

    @classmethod
    def through(cls, r_mm: Array, z_mm: Array) -> "Profile":
        """Interpolating quintic spline through (N,) increasing radii, N >= 6."""
        height = make_interp_spline(r_mm, z_mm, k=5)
        return cls(height=height, slope=height.derivative(), r_range_mm=(float(r_mm[0]), float(r_mm[-1])))

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        r = np.hypot(x_mm, y_mm)
        inside = np.clip(r, *self.r_range_mm)
        slope = self.slope(inside)
        slope_over_r = slope / np.maximum(r, 1e-12)
        return self.height(inside) + slope * (r - inside), slope_over_r * x_mm, slope_over_r * y_mm


@dataclass(frozen=True, kw_only=True)
class BuiltSurface:
    """A conic base (which rays meet in closed form) plus smaller terms."""

    base: Conic
    terms: tuple[HeightTerm, ...]

    def height_and_slopes(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height in mm and slopes of everything together."""
        z, zx, zy = self.base.height_and_slopes(x_mm, y_mm)
        for term in self.terms:
            dz, dzx, dzy = term.height_and_slopes(x_mm, y_mm)
            z, zx, zy = z + dz, zx + dzx, zy + dzy
        return z, zx, zy

    def with_terms(self, extra: Iterable[HeightTerm]) -> "BuiltSurface":
        """The same surface with more terms; polynomials are joined, because they cost the most time."""
        rest: list[HeightTerm] = []
        joined: Polynomial | None = None
        for term in (*self.terms, *extra):
            if isinstance(term, Polynomial):
                joined = term if joined is None else joined.plus(term)
            else:
                rest.append(term)
        return replace(self, terms=(*rest, joined) if joined is not None else tuple(rest))


def monomials(terms: Iterable[tuple[int, int, float]]) -> Array:
    """Coefficient table c[i, j] of (i, j, c) terms."""
    listed = list(terms)
    size = 1 + max((max(i, j) for i, j, _ in listed), default=0)
    table = np.zeros((size, size))
    for i, j, c in listed:
        table[i, j] += c
    return table


def zernike_monomials(terms: Iterable[tuple[int, int, float]]) -> Array:
    """Coefficients c[i, j] of X^i Y^j (unit disc) of orthonormal Zernike terms (n, m, weight).

    Notes
    -----
    R_n^|m|(r) r^-|m| is a polynomial in r^2 = X^2 + Y^2; r^m cos(m a), r^m sin(m a) are the real and imaginary parts of
    (X + iY)^m. Normalised to unit variance on the disc: sqrt(2 (n + 1)), sqrt(n + 1) for m = 0 (ANSI Z80.28).
    """
    listed = list(terms)
    size = 1 + max((n for n, _, _ in listed), default=0)
    table = np.zeros((size, size))
    for n, m_signed, weight in listed:
        m = abs(m_signed)
        norm = sqrt(n + 1.0) if m == 0 else sqrt(2.0 * (n + 1.0))
        for s in range((n - m) // 2 + 1):
            radial = (-1) ** s * factorial(n - s)
            radial //= factorial(s) * factorial((n + m) // 2 - s) * factorial((n - m) // 2 - s)
            power = (n - m) // 2 - s
            for a in range(power + 1):
                for b in range(m + 1):
                    phase = (1, 0, -1, 0)[b % 4] if m_signed >= 0 else (0, 1, 0, -1)[b % 4]
                    i, j = 2 * (power - a) + m - b, 2 * a + b
                    table[i, j] += weight * norm * radial * comb(power, a) * comb(m, b) * phase
    return table
