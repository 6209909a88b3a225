"""From what corners say to the map: over all pixels of the view, and where they leave open whose a pixel is."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.spatial import cKDTree

from rigwarp.geometry import BoolArray, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table
from rigwarp.view.design import trace_view
from rigwarp.view.parts import ViewPart
from rigwarp.view.printed.field import Conditioned
from rigwarp.view.printed.slopes import CAMERA
from rigwarp.view.printed.unknowns import Unknowns
from rigwarp.view.seen import filled

_FOLD_SIGMAS = 2.0
_STEP_PX = 16  # the correction is worked out on a grid
_REACH_SQUARES = 1.5  # a pixel this near to a corner counts as measured


def map_by_sheets(problem: Unknowns, told: Conditioned, table: Table) -> ViewMap:
    """The registered design over the camera's pixels, with what the corners add to it."""
    parts, corners = problem.moved, problem.corners
    design = trace_view(parts, table)
    x, y, sigma = design.x_mm.copy(), design.y_mm.copy(), np.full(design.zone.shape, np.nan)
    measured = np.zeros(design.zone.shape, bool)
    rows, columns = (np.append(np.arange(0, n - 1, _STEP_PX), n - 1) for n in design.zone.shape)
    nodes = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2).astype(float)
    for zone in np.unique(design.zone[design.zone >= 0]):
        i = max((i for i, part in enumerate(parts) if part.first_zone <= zone), key=lambda i: parts[i].first_zone)
        slope = problem.design_slope(i, nodes, np.full(len(nodes), zone))
        known = np.isfinite(slope).all(axis=(1, 2))
        slope[~known] = 0.0
        add, doubt = told.at(nodes, int(zone), slope)
        add -= slope @ problem.mounted
        here = design.zone == zone
        v, u = np.nonzero(here)
        place = [np.interp(v, rows, np.arange(len(rows))), np.interp(u, columns, np.arange(len(columns)))]
        grid = (len(rows), len(columns))
        for target, values in ((x, add[:, 0]), (y, add[:, 1]), (sigma, doubt)):
            found = map_coordinates(filled(np.where(known, values, np.nan).reshape(grid)), place, order=1)
            target[here] = found if target is sigma else target[here] + found
        mine = corners.zone == zone
        if mine.any():
            distance, nearest = cKDTree(corners.pixels_px[mine]).query(np.stack([u, v], axis=-1))
            measured[here] = distance <= _REACH_SQUARES * corners.square_px[mine][nearest]
    doubtful = _near_a_fold(parts, design)
    for values in (x, y, sigma):
        values[doubtful] = np.nan
    return replace(
        design,
        x_mm=x,
        y_mm=y,
        sigma_mm=sigma,
        measured=measured & ~doubtful,
        zone=np.where(doubtful, NO_LIGHT, design.zone).astype(design.zone.dtype),
        lean_x=np.where(doubtful, np.nan, design.lean_x),
        lean_y=np.where(doubtful, np.nan, design.lean_y),
    )


def _near_a_fold(parts: Sequence[ViewPart], design: ViewMap) -> BoolArray:
    """(H, W) pixels so near to another mirror's that corners, which tell no edges, leave open whose they are."""
    owner = np.full(design.zone.shape, -1)
    for number, part in enumerate(parts):
        owner[design.zone >= part.first_zone] = number
    owner[design.zone < 0] = -1
    doubtful = np.zeros(owner.shape, bool)
    for number, part in enumerate(parts):
        others = (owner >= 0) & (owner != number)
        if part.mirror is None or not others.any():
            continue
        away_mm = float(np.linalg.norm(part.model.mirror.position_mm - part.camera.placement.position_mm))
        sigma_px = float(part.tolerances[CAMERA]) * part.camera.focal_px / max(away_mm, 1.0)
        reach = _FOLD_SIGMAS * sigma_px
        mine = owner == number
        doubtful |= mine & (distance_transform_edt(~others) <= reach)
        doubtful |= others & (distance_transform_edt(~mine) <= reach)
    return doubtful
