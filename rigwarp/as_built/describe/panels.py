"""Each panel of a mirror of several pieces by itself: its tilt, bend and twist, and how far folds opened."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.as_built.describe.footprint import Footprint
from rigwarp.as_built.describe.heights import Heights
from rigwarp.geometry import Array
from rigwarp.tracing import Surface

_FEWEST_POINTS = 30
_FLAT = 0.02  # sine of the angle between panels below which they have no fold


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A smooth piece of mirror against its design, after alignment of the whole mirror; 1-sigma beside each number.

    Attributes
    ----------
    zone : its number.
    tilt_deg, tilt_sigma_deg : (2,) turns about the mirror's x and y axes, in its middle.
    bend_um, bend_sigma_um : (2,) sag along mirror x and y over the lit part of the panel, + towards the reflecting side
        in the middle.
    twist_um, twist_sigma_um : corner against corner of the lit part: half of what the xy term spans.
    size_mm : (2,) of the lit part along mirror x and y.
    """

    zone: int
    tilt_deg: Array
    tilt_sigma_deg: Array
    bend_um: Array
    bend_sigma_um: Array
    twist_um: float
    twist_sigma_um: float
    size_mm: Array


@dataclass(frozen=True, kw_only=True)
class Fold:
    """Two panels: by how much the fold between them opened (+, flatter) or closed (-), degrees, with its 1-sigma."""

    zones: tuple[int, int]
    opened_deg: float
    sigma_deg: float


def panels_of(
    surfaces: Sequence[Surface], grid: Footprint, heights: Heights, side: float
) -> tuple[tuple[Panel, ...], tuple[Fold, ...]]:
    """Panels and folds of a mirror of several pieces; nothing for a mirror of one.

    Notes
    -----
    Least squares of a quadratic over the lit points of each panel; the sums' covariance is the posterior's. A fold's
    angle changes by what the change of both normals does to their product: cos a = n1 . n2.
    """
    zone = grid.zone[grid.lit]
    zones = [int(z) for z in np.unique(zone) if np.count_nonzero(zone == z) >= _FEWEST_POINTS]
    if len(zones) < 2:
        return (), ()
    weights = np.concatenate([_quadratic(grid, zone == z, len(zone)) for z in zones])
    value, covariance = heights.linear(weights)
    panels = [
        _panel(grid, z, value[5 * i : 5 * i + 5], covariance[5 * i : 5 * i + 5, 5 * i : 5 * i + 5], side)
        for i, z in enumerate(zones)
    ]
    folds = []
    for i, first in enumerate(zones):
        for j in range(i + 1, len(zones)):
            fold = _fold(grid, (first, zones[j]), (5 * i, 5 * j), value, covariance)
            if fold is not None:
                folds.append(fold)
    return tuple(panels), tuple(folds)


def _quadratic(grid: Footprint, here: Array, n: int) -> Array:
    """(5, n) weights that give the coefficients of x, y, x^2, y^2, xy (mm from the panel's middle)."""
    xy = grid.points.point_mm[here, :2]
    x, y = (xy - xy.mean(axis=0)).T
    functions = np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=-1)
    size = np.linalg.norm(functions, axis=0)
    weights = np.zeros((5, n))
    weights[:, here] = (np.linalg.pinv(functions / size) / size[:, None])[1:]
    return weights


def _panel(grid: Footprint, zone: int, value: Array, covariance: Array, side: float) -> Panel:
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    size = np.ptp(grid.points.point_mm[grid.zone[grid.lit] == zone, :2], axis=0)
    # a turn by w about x raises the height by w y, one about y by -w x
    return Panel(
        zone=zone,
        tilt_deg=np.degrees(np.array([value[1], -value[0]])),
        tilt_sigma_deg=np.degrees(sigma[[1, 0]]),
        bend_um=-side * 1000.0 * value[2:4] * size**2 / 4.0,
        bend_sigma_um=1000.0 * sigma[2:4] * size**2 / 4.0,
        twist_um=float(side * 1000.0 * value[4] * size[0] * size[1] / 4.0),
        twist_sigma_um=float(1000.0 * sigma[4] * size[0] * size[1] / 4.0),
        size_mm=size,
    )


def _fold(grid: Footprint, zones: tuple[int, int], at: tuple[int, int], value: Array, covariance: Array) -> Fold | None:
    lit = grid.zone[grid.lit]
    upward = [grid.points.upward[lit == z].mean(axis=0) for z in zones]
    normals = [u / np.linalg.norm(u) for u in upward]
    sine = float(np.linalg.norm(np.cross(normals[0], normals[1])))
    if sine < _FLAT:
        return None
    rows = np.zeros(len(value))
    for k, (u, n, other) in enumerate(zip(upward, normals, normals[::-1], strict=True)):
        length = np.linalg.norm(u)
        for axis in (0, 1):
            change = -np.eye(3)[axis] / length  # of the normal by a slope, its part along the normal taken off
            rows[at[k] + axis] = (change - (change @ n) * n) @ other / sine
    # cos a grows as the normals come together: the fold opens by what their angle loses, d(n1 . n2) / sin a
    return Fold(
        zones=zones,
        opened_deg=float(np.degrees(rows @ value)),
        sigma_deg=float(np.degrees(np.sqrt(max(float(rows @ covariance @ rows), 0.0)))),
    )
