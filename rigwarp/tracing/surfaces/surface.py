"""What every mirror surface can do, and how a ray meets one."""

from dataclasses import dataclass
from operator import attrgetter
from typing import Protocol

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.height_spline import HeightSpline

Bounds = tuple[tuple[float, float], tuple[float, float]]

_NEWTON_STEPS = 12  # quadratic convergence from a few mm away needs 4 or 5; the rest is for grazing rays
_CONVERGED_MM = 1e-6  # a step leaves its own square times a curvature: less than coordinates are rounded to


@dataclass(frozen=True, kw_only=True)
class Tessellation:
    """The triangles that a surface was fitted to.

    Attributes
    ----------
    triangles : how many.
    edge_median_mm, edge_p95_mm : of their edges' lengths.
    noise_mm : rms of the vertices about the surface.
    too_few : whether the surface bends more than so few vertices can tell; else their noise is what limits the fit.
    chord_mm : what 95 % of the triangles stand off the surface at most, as a CAD program's tolerance limits it; NaN
        where that was not asked for.
    """

    triangles: int
    edge_median_mm: float
    edge_p95_mm: float
    noise_mm: float
    too_few: bool
    chord_mm: float = float("nan")


class Surface(Protocol):
    """One smooth piece of mirror: a height field z = sag(x, y) in its own frame, with an aperture.

    Attributes
    ----------
    zone : its number in Trace.zone.
    name : what to call it in reports.
    T_mirror_from_surface : (4, 4), mm.
    bounds_mm : ((xmin, xmax), (ymin, ymax)) of the aperture, surface frame.
    """

    @property
    def zone(self) -> int: ...
    @property
    def name(self) -> str: ...
    @property
    def T_mirror_from_surface(self) -> Array: ...
    @property
    def bounds_mm(self) -> Bounds: ...

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """(...,) height at (...,) points, mm; goes on smoothly past the aperture, NaN where the shape ends."""

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) dz/dx, dz/dy; NaN where sag is."""

    def sag_and_gradient(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Both at once."""

    def inside(self, x_mm: Array, y_mm: Array) -> BoolArray:
        """(...,) whether points lie within the aperture; False for NaN."""

    def outside_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """(...,) sideways distance from the aperture, 0 inside, NaN for NaN."""

    def slope_sigma(self, x_mm: Array, y_mm: Array) -> Array:
        """(...,) 1-sigma of each slope component (dimensionless) from fitting the surface; 0 for closed forms."""

    def rim_points(self, spacing_mm: float) -> Array:
        """(N, 2) points on the aperture's rim, at most `spacing_mm` apart, corners included."""

    def first_guesses(self, origins_mm: Array, directions: Array) -> tuple[Array, ...]:
        """Distances (...,) along rays (surface frame) close to where they may meet the surface, the likeliest first."""


@dataclass(frozen=True, kw_only=True)
class FiguredSurface:
    """A surface with a smooth height deviation added to its sag."""

    base: Surface
    figure: HeightSpline

    # all else is the design's: it stands where the design does, and a deviation of micrometres moves no rim
    zone = property(attrgetter("base.zone"))
    name = property(attrgetter("base.name"))
    T_mirror_from_surface = property(attrgetter("base.T_mirror_from_surface"))
    bounds_mm = property(attrgetter("base.bounds_mm"))
    inside = property(attrgetter("base.inside"))
    outside_mm = property(attrgetter("base.outside_mm"))
    slope_sigma = property(attrgetter("base.slope_sigma"))
    rim_points = property(attrgetter("base.rim_points"))
    first_guesses = property(attrgetter("base.first_guesses"))

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height of design plus deviation, mm."""
        return self.base.sag(x_mm, y_mm) + self.figure.value(x_mm, y_mm)

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes of design plus deviation."""
        return self.base.gradient(x_mm, y_mm) + self.figure.gradient(x_mm, y_mm)

    def sag_and_gradient(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Both of design plus deviation."""
        sag, slope = self.base.sag_and_gradient(x_mm, y_mm)
        more, steeper = self.figure.value_and_gradient(x_mm, y_mm)
        return sag + more, slope + steeper


def refine_hit(surface: Surface, origins_mm: Array, directions: Array, guess_mm: Array) -> Array:
    """Distance (...,) along rays (..., 3), surface frame, to the surface; NaN where Newton's steps find none.

    Newton's method on z(t) - sag(x(t), y(t)); Spencer and Murty (1962), JOSA 52, 672.
    """
    shape = guess_mm.shape
    o, d = np.broadcast_to(origins_mm, (*shape, 3)).reshape(-1, 3), directions.reshape(-1, 3)
    distance = guess_mm.reshape(-1).copy()
    open_rays = np.flatnonzero(np.isfinite(distance))
    last_step = np.full(distance.shape, np.nan)
    for _ in range(_NEWTON_STEPS):
        p = o[open_rays] + distance[open_rays, None] * d[open_rays]
        sag, slope = surface.sag_and_gradient(p[:, 0], p[:, 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            step = (p[:, 2] - sag) / (d[open_rays, 2] - np.sum(slope * d[open_rays, :2], axis=-1))
        distance[open_rays] -= step
        last_step[open_rays] = np.abs(step)
        open_rays = open_rays[np.isfinite(step) & (np.abs(step) > _CONVERGED_MM)]
        if open_rays.size == 0:
            break
    distance[~(last_step <= _CONVERGED_MM)] = np.nan
    return distance.reshape(shape)


def unit_normals(surface: Surface, x_mm: Array, y_mm: Array) -> Array:
    """(..., 3) unit normals in the surface frame, on its +z side; NaN where the surface has none."""
    slope = surface.gradient(x_mm, y_mm)
    normal = np.concatenate([-slope, np.ones((*slope.shape[:-1], 1))], axis=-1)
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


@dataclass(frozen=True, kw_only=True)
class Meeting:
    """Rays at one surface.

    Attributes
    ----------
    distance_mm : (N,) along the rays, inf where the surface is not met.
    local_mm : (N, 2) x and y in the surface's frame, NaN where not met.
    point_mm, normal : (N, 3) in the mirror frame, the unit normal against the ray; NaN where not met.
    """

    distance_mm: Array
    local_mm: Array
    point_mm: Array
    normal: Array


def meet_surface(surface: Surface, origin_mm: Array, rays: Array, *, extended: bool) -> Meeting:
    """Meet one surface with unit rays (N, 3) from one point (3,), mirror frame; `extended` ignores the aperture."""
    T = surface.T_mirror_from_surface
    R = T[:3, :3]
    origin, local = (origin_mm - T[:3, 3]) @ R, rays @ R
    distance = np.full(len(rays), np.inf)
    guesses = surface.first_guesses(origin, local)
    for guess in guesses[:1] if extended else guesses:
        found = refine_hit(surface, origin, local, guess)
        with np.errstate(invalid="ignore"):
            better = np.flatnonzero((found > 0.0) & (found < distance))
        if not extended:
            p = origin + found[better, None] * local[better]
            better = better[surface.inside(p[:, 0], p[:, 1])]
        distance[better] = found[better]
    known = np.isfinite(distance)
    p = origin + np.where(known, distance, np.nan)[:, None] * local
    n = unit_normals(surface, p[:, 0], p[:, 1])
    n = np.where(np.sum(n * local, axis=-1, keepdims=True) > 0.0, -n, n)
    return Meeting(distance_mm=distance, local_mm=p[:, :2], point_mm=p @ R.T + T[:3, 3], normal=n @ R.T)
