"""A face of a STEP file that is a spline: the kernel's own surface, met as a height field without any fit."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, Nurbs
from rigwarp.tracing.surfaces.outline import Outlined

_STEPS = 10  # of Newton's method: quadratic from less than a triangle away, so four or five do
_FOUND_MM = 1e-8  # a step as small leaves nothing
_FAR = 2.0  # times the face's size: a step that long goes nowhere


@dataclass(frozen=True, kw_only=True)
class NurbsSurface(Outlined):
    """A spline face within an outline, both in the face's own frame.

    Attributes
    ----------
    nurbs : the surface, own frame.
    starts_uv : (K, 2) parameters all over the face, from the nearest of which each point is looked for.
    """

    nurbs: Nurbs
    starts_uv: Array

    def sag(self, x_mm: Array, y_mm: Array) -> Array:
        """Height, mm; NaN where the face, continued, does not reach."""
        return self.sag_and_gradient(x_mm, y_mm)[0]

    def gradient(self, x_mm: Array, y_mm: Array) -> Array:
        """(..., 2) slopes; NaN where the sag is."""
        return self.sag_and_gradient(x_mm, y_mm)[1]

    def sag_and_gradient(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Height and slopes, where (x, y) of the surface are those asked for."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        wanted = np.stack([x.ravel(), y.ravel()], axis=-1)
        height, slope = np.full(len(wanted), np.nan), np.full((len(wanted), 2), np.nan)
        known = np.flatnonzero(np.isfinite(wanted).all(axis=1))
        if len(known):
            height[known], slope[known] = self._at(wanted[known])
        return height.reshape(x.shape), slope.reshape(*x.shape, 2)

    def _at(self, wanted_mm: Array) -> tuple[Array, Array]:
        """(N,) heights and (N, 2) slopes at finite (N, 2) places."""
        tree, size = self._start
        uv = self.starts_uv[tree.query(wanted_mm)[1]]
        height, slope = np.full(len(uv), np.nan), np.full((len(uv), 2), np.nan)
        left: NDArray[np.intp] = np.arange(len(uv))
        for _ in range(_STEPS):
            point, by_u, by_v = self.nurbs.point_and_tangents(uv[left, 0], uv[left, 1])
            normal = np.cross(by_u, by_v)
            miss = wanted_mm[left] - point[:, :2]
            with np.errstate(invalid="ignore", divide="ignore"):
                du = (miss[:, 0] * by_v[:, 1] - miss[:, 1] * by_v[:, 0]) / normal[:, 2]
                dv = (miss[:, 1] * by_u[:, 0] - miss[:, 0] * by_u[:, 1]) / normal[:, 2]
                here = -normal[:, :2] / normal[:, 2:]
            gap = np.linalg.norm(miss, axis=1)
            found = gap < _FOUND_MM
            # what is left of the way, at most rounding, goes along the tangent plane
            height[left[found]] = (point[:, 2] + np.sum(here * miss, axis=1))[found]
            slope[left[found]] = here[found]
            going = ~found & np.isfinite(du) & np.isfinite(dv) & (gap < _FAR * size)
            left = left[going]
            if not len(left):
                break
            uv[left] += np.stack([du, dv], axis=-1)[going]
        return height, slope

    @cached_property
    def _start(self) -> tuple[cKDTree, float]:
        points, _, _ = self.nurbs.point_and_tangents(*self.starts_uv.T)
        return cKDTree(points[:, :2]), float(np.ptp(points, axis=0).max())
