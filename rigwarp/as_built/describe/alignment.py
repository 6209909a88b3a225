"""Rigid alignment of a built surface to its design: the motions, which of them show in the heights, taking them out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.as_built.describe.footprint import SurfacePoints, nearest_surface, zone_points
from rigwarp.geometry import Array, BoolArray, rotation_from_vector
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.tracing import OpticalModel, Surface

_SHOWS = 0.01  # height change per size of motion; see `RigidMotions`
_ALIGN_PASSES, _FOLLOW_PASSES = 6, 4  # each gains two digits: motions are some mm and mrad
_SYMMETRY = 1e-5  # the same, below which a motion leaves the surface as it is; a closed form gives 1e-15, a spline 1e-6


@dataclass(frozen=True, kw_only=True)
class RigidMotions:
    """The rigid motions of a design surface as changes of its height along mirror z, over n points.

    Motions are described about the points' centroid, turns times their arm, so that all six are in mm of motion; a
    singular value decomposition sorts them by how much of the motion shows as height.

    Attributes
    ----------
    shown : (n, k) orthonormal height patterns of the motions that show.
    inverse : (6, n) from heights to the motion (mm, rad, about the mirror's origin) that explains them best.
    symmetries : (j, 6) motions (unit size in mm) that leave the design as it is: spin, sliding in a plane, ...
    hidden : (i, 6) motions that change it, but by too little to be used.

    Notes
    -----
    A motion whose height change is below 1 % of its size is not used for alignment. Decentring a shallow paraboloid
    together with the tilt that undoes it leaves only a trace of coma: taking 8 um of coma out of a mirror of R = 250
    mm that way would take a shift of centimetres, which nobody's mount is off by. Such coma stays in the figure.
    """

    shown: Array
    inverse: Array
    symmetries: Array
    hidden: Array

    def remove(self, heights: Array) -> tuple[Array, Array]:
        """What is left of (n,) or (n, m) heights after alignment, and the motion (6,) or (6, m) taken out."""
        return heights - self.shown @ (self.shown.T @ heights), self.inverse @ heights

    def aligned(self, weights: Array) -> Array:
        """(k, n) weights of heights whose sums are those with weights (k, n) of aligned heights."""
        return weights - (weights @ self.shown) @ self.shown.T


def rigid_motions(points: SurfacePoints) -> RigidMotions:
    """The rigid motions of the design seen at (n,) of its points; n >= 6."""
    centre = points.point_mm.mean(axis=0)
    arm = points.point_mm - centre
    reach = float(np.sqrt(np.mean(np.sum(arm**2, axis=-1))))
    about_centre = np.concatenate([points.upward, np.cross(arm, points.upward) / reach], axis=-1)
    u, size, rows = np.linalg.svd(about_centre, full_matrices=False)
    # about the centroid (t, a / reach) is (t - w x C, w) about the origin
    to_origin = np.zeros((6, 6))
    to_origin[:3, :3] = np.eye(3)
    to_origin[3:, 3:] = np.eye(3) / reach
    to_origin[:3, 3:] = np.cross(centre, np.eye(3)).T / reach
    kept = size > _SHOWS * size[0]
    return RigidMotions(
        shown=u[:, kept],
        inverse=to_origin @ (rows[kept].T / size[kept]) @ u[:, kept].T,
        symmetries=rows[size < _SYMMETRY * size[0]] @ to_origin.T,
        hidden=rows[~kept & (size >= _SYMMETRY * size[0])] @ to_origin.T,
    )


def remove_rigid(height: Array, x_mm: Array, y_mm: Array, model: OpticalModel | Sequence[Surface]) -> Array:
    """Height deviations with the best-fitting rigid motion of the design surface taken out.

    Parameters
    ----------
    height : (ny, nx) deviations along the mirror's z axis (either sign, any unit of length), NaN where there are none.
    x_mm, y_mm : (nx,), (ny,) grid lines in the mirror frame.
    model : the design, or its surfaces.

    Returns
    -------
    (ny, nx)
        Deviations after alignment, NaN where there were none or the design has no height along z.

    Notes
    -----
    Least squares over the finite grid points, first order in the motion (good to 0.1 um for motions of some tenths of
    a millimetre); see `RigidMotions` for the motions that are used.
    """
    surfaces = model.surfaces if isinstance(model, OpticalModel) else tuple(model)
    grid = np.stack(np.meshgrid(x_mm, y_mm), axis=-1)
    zone = np.where(np.isfinite(height), nearest_surface(surfaces, grid), NO_LIGHT).astype(np.int16)
    points = zone_points(surfaces, grid, zone)
    known: BoolArray = np.asarray(np.isfinite(points.upward).all(axis=-1))
    lit = zone != NO_LIGHT
    lit[lit] = known
    aligned = np.full(height.shape, np.nan)
    aligned[lit] = rigid_motions(points.only(known)).remove(height[lit])[0]
    return aligned


def align_built(
    figure_mm: Callable[[Array, Array, int], Array],
    x_mm: Array,
    y_mm: Array,
    zone: NDArray[np.int16],
    model: OpticalModel | Sequence[Surface],
) -> Array:
    """Heights (ny, nx) of a built surface above its design, mm, after moving it rigidly to where it fits best.

    Parameters
    ----------
    figure_mm : (n,) built minus design along mirror z at (n,) x, y of a zone, for the surface as it was built.
    x_mm, y_mm : (nx,), (ny,) grid lines in the mirror frame.
    zone : (ny, nx) which surface each grid point belongs to, -1 for none.
    model : the design, or its surfaces.

    Returns
    -------
    (ny, nx)
        NaN where there is no surface.

    Notes
    -----
    What a mirror's mount takes up is a motion of its own size: decentring a freeform by 2 mm hardly changes its height
    but takes its form errors along, 2 um for every mrad of their slope. `remove_rigid`, of first order, leaves them
    where they are; here the built surface itself is moved (Gauss-Newton on the six motions of `RigidMotions`).
    """
    surfaces = model.surfaces if isinstance(model, OpticalModel) else tuple(model)
    grid = np.stack(np.meshgrid(x_mm, y_mm), axis=-1)
    lit = zone != NO_LIGHT
    motion, centre = np.zeros(6), np.append(grid[lit].mean(axis=0), 0.0)
    wanted, number = grid[lit], zone[lit]
    design = zone_points(surfaces, grid, zone)
    height = np.full(len(wanted), np.nan)
    for _ in range(_ALIGN_PASSES):
        R, shift = rotation_from_vector(motion[3:]), motion[:3]
        spot = wanted.copy()
        for _ in range(_FOLLOW_PASSES):
            point = _built_points(figure_mm, surfaces, spot, number)
            there = (point - centre) @ R.T + centre + shift
            spot = spot + wanted - there[:, :2]
        height = there[:, 2] - design.point_mm[:, 2]
        known = np.isfinite(height) & np.isfinite(design.upward).all(axis=-1)
        # found about the mirror's origin; used about the middle of the lit part
        step = -rigid_motions(design.only(known)).remove(height[known])[1]
        motion = motion + np.concatenate([step[:3] + np.cross(step[3:], centre), step[3:]])
    aligned = np.full(zone.shape, np.nan)
    aligned[lit] = np.where(known, height, np.nan)
    return aligned


def _built_points(
    figure_mm: Callable[[Array, Array, int], Array], surfaces: Sequence[Surface], xy_mm: Array, zone: NDArray[np.int16]
) -> Array:
    """(n, 3) points of the built surface at mirror x, y (n, 2)."""
    point = zone_points(surfaces, xy_mm[None], zone[None]).point_mm.copy()
    for number in np.unique(zone):
        here = zone == number
        point[here, 2] += figure_mm(xy_mm[here, 0], xy_mm[here, 1], int(number))
    return point
