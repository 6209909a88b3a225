"""Surfaces of revolution from a table of radius and height: smooth between kinks."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.tracing.surfaces.outline import RoundAperture

_DEGREE = 5
_INTERVALS = (1, 2, 3, 4, 6, 8, 11, 15, 20, 27, 36, 48, 64)  # of the spline, tried in turn
_POINTS_PER_UNKNOWN = 2.0
_WORTH = 0.97  # more intervals must lower the predicted error to this share
_KINK_RAD = np.deg2rad(0.2)  # as for creases of meshes
_SIGNIFICANT = 6.0  # a kink in units of its own standard error
_SIDE = 4  # rows of the table on each side that judge a kink
_AT_AXIS = 1e-9  # mm: a radius below this is on the axis
_TINY = 1e-12


@dataclass(frozen=True, kw_only=True)
class ProfileSurface(RoundAperture):
    """z = h(r) between two radii, h a B-spline; past its ends it goes on with its slope and curvature there.

    Attributes
    ----------
    spline : of r, mm; even in r where the profile starts on the axis.
    aperture_mm : (inner, outer) radius.
    """

    spline: BSpline
    zone: int
    name: str
    T_mirror_from_surface: Array = field(default_factory=lambda: np.eye(4))

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height, mm."""
        return self._height(np.hypot(x_mm, y_mm), 0)

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes."""
        r = np.hypot(x_mm, y_mm)
        # towards the axis dz/dr / r tends to the curvature there
        per_r = self._height(r, 1) / np.where(r > _AT_AXIS, r, 1.0)
        per_r = np.where(r > _AT_AXIS, per_r, self._height(r, 2))
        return np.stack([x_mm * per_r, y_mm * per_r], axis=-1)

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """From the zone's middle height, then from its innermost and outermost."""
        heights = self._height(np.array([np.mean(self.aperture_mm), *self.aperture_mm]), 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return tuple((z - origins_mm[..., 2]) / directions[..., 2] for z in heights)

    @cached_property
    def _derivatives(self) -> tuple[BSpline, BSpline, BSpline]:
        return self.spline, self.spline.derivative(1), self.spline.derivative(2)

    def _height(self, r_mm: Array, order: int) -> Array:
        """Height or its derivative; a second-order Taylor polynomial past the ends."""
        low, high = self.spline.t[_DEGREE], self.spline.t[-_DEGREE - 1]
        known = np.clip(r_mm, low, high)
        past = r_mm - known
        value = self._derivatives[order](known)
        if not np.any(past != 0.0):
            return value
        weight = np.ones_like(past)
        for k in range(1, 3 - order):
            weight = weight * past / k
            value = value + self._derivatives[order + k](known) * weight
        return value


def profile_surfaces(profile_mm: Array, *, file: str) -> tuple[ProfileSurface, ...]:
    """One surface per smooth stretch of a profile.

    Parameters
    ----------
    profile_mm : (N, 2)
        r_mm and z_mm, r rising from 0 or from the inner rim. Two rows with the same r and different z are a step.
    file : what to call the profile in messages.

    Raises
    ------
    InputError
        For fewer than 3 rows, or radii that are negative or fall.
    """
    rows = _checked(np.asarray(profile_mm, float), file)
    surfaces = []
    for zone, stretch in enumerate(_stretches(rows)):
        spline, sigma = _fit(stretch)
        surfaces.append(
            ProfileSurface(
                spline=spline,
                aperture_mm=(float(stretch[0, 0]), float(stretch[-1, 0])),
                sigma=sigma,
                zone=zone,
                name=f"ring {zone}",
            )
        )
    return tuple(surfaces)


def _checked(rows: Array, file: str) -> Array:
    where = f"mirror.file {file!r}"
    if rows.ndim != 2 or rows.shape[1] != 2 or len(rows) < 3:
        raise InputError(f"{where}: found {len(rows)} rows, a profile needs at least 3 rows of r_mm and z_mm.")
    if not np.isfinite(rows).all():
        bad = int(np.flatnonzero(~np.isfinite(rows).all(axis=1))[0])
        raise InputError(f"{where}: row {bad + 1} holds something that is not a number. Correct or delete the row.")
    if rows[0, 0] < 0.0:
        raise InputError(f"{where}: the first radius is {rows[0, 0]:g} mm; radii start at 0 or at the inner rim.")
    falling = np.flatnonzero(np.diff(rows[:, 0]) < 0.0)
    if len(falling):
        i = int(falling[0])
        raise InputError(
            f"{where}: r_mm falls from {rows[i, 0]:g} to {rows[i + 1, 0]:g} at row {i + 2}; a height above each radius "
            "needs rising radii. Sort the rows, or give an overhanging mirror as a mesh."
        )
    repeated = np.all(np.diff(rows, axis=0) == 0.0, axis=1)
    return rows[np.concatenate([[True], ~repeated])]


def _stretches(rows: Array) -> list[Array]:
    """Cut the table at steps (the same radius twice) and at kinks, which belong to both sides."""
    pieces = np.split(rows, np.flatnonzero(np.diff(rows[:, 0]) == 0.0) + 1)
    stretches = []
    for piece in pieces:
        start = 0
        for kink in _kinks(piece):
            stretches.append(piece[start : kink + 1])
            start = kink
        stretches.append(piece[start:])
    return [s for s in stretches if len(s) > 1]


def _kinks(rows: Array) -> list[int]:
    """Row numbers where the slope jumps by more than a smooth curve through the neighbouring rows explains.

    At each row the neighbours are fitted by a cubic plus J s_+ + K s_+^2 (s_+: distance past the row); J is the kink.
    Neighbouring rows see the same kink, so only the largest of a run counts.
    """
    jump, slopes = np.zeros(len(rows)), np.diff(rows[:, 1]) / np.diff(rows[:, 0])
    for i in range(1, len(rows) - 1):
        near = rows[max(i - _SIDE, 0) : i + _SIDE + 1]
        s = near[:, 0] - rows[i, 0]
        scale = float(np.abs(s).max())
        s = s / scale
        rise = np.maximum(s, 0.0)
        straight = len(near) < 2 * _SIDE  # at a rim fewer rows speak, and fewer unknowns are asked for
        columns = [s**0, s, s**2, rise] if straight else [s**0, s, s**2, s**3, rise, rise**2]
        value, sigma = _coefficient(np.stack(columns, axis=-1), near[:, 1], 3 if straight else 4)
        value, sigma = value / scale, sigma / scale
        turn = abs(slopes[i] - slopes[i - 1])
        if abs(value) > max(_KINK_RAD, _SIGNIFICANT * sigma, 0.5 * turn) and turn > 0.5 * abs(value):
            jump[i] = abs(value)
    peaks = []
    for i in np.flatnonzero(jump).tolist():
        window = jump[max(i - _SIDE, 0) : i + _SIDE + 1]
        if jump[i] == window.max():
            peaks.append(i)
    return peaks


def _coefficient(columns: Array, z: Array, number: int) -> tuple[float, float]:
    """One coefficient of a least-squares fit and its standard error; (0, inf) where the rows do not determine it."""
    solution, _, rank, _ = np.linalg.lstsq(columns, z, rcond=_TINY)
    if rank < columns.shape[1]:
        return 0.0, float("inf")
    residual = z - columns @ solution
    freedom = max(len(z) - columns.shape[1], 1)
    covariance = np.linalg.inv(columns.T @ columns) * float(residual @ residual) / freedom
    return float(solution[number]), float(np.sqrt(max(covariance[number, number], 0.0)))


def _fit(rows: Array) -> tuple[BSpline, float]:
    """Least-squares spline of a stretch and the 1-sigma of its slope; intervals by cross-validation."""
    on_axis = rows[0, 0] <= _AT_AXIS
    r, z = rows.T
    if on_axis:  # an even curve: the mirrored half keeps it smooth across the axis
        r, z = np.concatenate([-r[:0:-1], r]), np.concatenate([z[:0:-1], z])
    best, best_score, failures = _lsq(r, z, 1), np.inf, 0
    for intervals in _INTERVALS:
        unknowns = intervals * (2 if on_axis else 1) + _DEGREE
        if intervals > 1 and unknowns * _POINTS_PER_UNKNOWN > len(r):
            break
        spline = _lsq(r, z, intervals * (2 if on_axis else 1))
        score = float(np.sqrt(np.mean((z - spline(r)) ** 2))) / max(1.0 - unknowns / len(r), 0.05)
        failures = 0 if score < _WORTH * best_score else failures + 1
        if score < _WORTH * best_score:
            best, best_score = spline, score
        if failures == 2:
            break
    unknowns = len(best.c)
    scatter = float(np.sqrt(np.sum((z - best(r)) ** 2) / max(len(r) - unknowns, 1)))
    interval = float(np.ptp(r)) / max(unknowns - _DEGREE, 1)
    return best, scatter * np.pi / interval / float(np.sqrt(max(len(r) / unknowns, 1.0)))


def _lsq(r: Array, z: Array, intervals: int) -> BSpline:
    low, high = float(r[0]), float(r[-1])
    step = (high - low) / intervals
    knots = low + step * np.arange(-_DEGREE, intervals + _DEGREE + 1)
    basis = BSpline.design_matrix(np.clip(r, knots[_DEGREE], knots[-_DEGREE - 1]), knots, _DEGREE).toarray()
    scale = float(np.sqrt(len(r)))
    stiff = [np.diff(np.eye(basis.shape[1]), n=n, axis=0) * scale * w for n, w in ((3, 1e-7), (2, 1e-9))]
    rows = np.concatenate([basis, *stiff])
    solution = np.linalg.lstsq(rows, np.concatenate([z, np.zeros(len(rows) - len(z))]), rcond=None)[0]
    return BSpline(knots, solution, _DEGREE)
