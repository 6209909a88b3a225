"""From what corners say to the map: over all pixels of the view, and where they leave open whose a pixel is."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, IntArray, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table
from rigwarp.view.design import trace_view
from rigwarp.view.lean import LeanDoubt, seen_leans
from rigwarp.view.parts import ViewPart
from rigwarp.view.printed.field import Conditioned
from rigwarp.view.printed.unknowns import Unknowns
from rigwarp.view.registration import PartSamples, register_view
from rigwarp.view.seen import filled

_EDGE_PX = 3.0  # of a mirror's pixels, those that are nearest to another's, to within this, show where the edge is
_FOLD_SIGMAS = 2.5
_STEP_PX = 16  # the correction is worked out on a grid
_SOME, _FEWEST = 1000, 100  # pixels of a part that tell how it hangs
_REACH_SQUARES = 1.5  # a pixel this near to a corner counts as measured


def map_by_sheets(problem: Unknowns, told: Conditioned, table: Table) -> tuple[ViewMap, LeanDoubt]:
    """The registered design over the camera's pixels with what corners add to it, and how well its lean is known.

    Leans come from the design registered to these places: what corners' field adds is told from a lens and from how all
    hangs only as far as places need it.
    """
    parts, corners = problem.moved, problem.corners
    design = trace_view(parts, table)
    x, y, sigma = design.x_mm.copy(), design.y_mm.copy(), np.full(design.zone.shape, np.nan)
    measured = np.zeros(design.zone.shape, bool)
    rows, columns = (np.append(np.arange(0, n - 1, _STEP_PX), n - 1) for n in design.zone.shape)
    nodes = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2).astype(float)
    for zone in np.unique(design.zone[design.zone >= 0]):
        i = next(i for i, part in enumerate(parts) if zone in part.zones)
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
    covariance = told.unknowns[1]
    doubtful = _near_a_fold(problem, covariance, parts, design)
    for values in (x, y, sigma):
        values[doubtful] = np.nan
    zone = np.where(doubtful, NO_LIGHT, design.zone).astype(design.zone.dtype)
    places = np.stack([x, y], axis=-1)
    measured &= ~doubtful
    samples = [_samples(part, zone, places, measured) for part in parts]
    shown = [i for i, one in enumerate(samples) if len(one.zone) >= _FEWEST]
    registration = register_view([problem.parts[i] for i in shown], [samples[i] for i in shown])
    registered = {part.first_zone: part for part in registration.parts}
    lean = seen_leans([registered.get(part.first_zone, part) for part in parts], zone, places)
    view_map = replace(
        design,
        x_mm=x,
        y_mm=y,
        sigma_mm=sigma,
        measured=measured,
        zone=zone,
        lean_x=lean[..., 0],
        lean_y=lean[..., 1],
    )
    return view_map, registration.lean_doubt


def _samples(part: ViewPart, zone: IntArray, places_mm: Array, measured: BoolArray) -> PartSamples:
    """Some of a part's pixels near corners, and their places."""
    v, u = np.nonzero(measured & np.isin(zone, part.zones))
    some = slice(None, None, max(1, len(u) // _SOME))
    u, v = u[some], v[some]
    return PartSamples(
        pixels_px=part.own_pixels(np.stack([u, v], axis=-1).astype(float)),
        table_mm=places_mm[v, u],
        zone=zone[v, u].astype(np.int64) - part.first_zone,
    )


def _near_a_fold(problem: Unknowns, covariance: Array, parts: Sequence[ViewPart], design: ViewMap) -> BoolArray:
    """(H, W) pixels so near to another mirror's that corners, which tell no edges, leave open whose they are."""
    owner = np.full(design.zone.shape, -1)
    for number, part in enumerate(parts):
        owner[np.isin(design.zone, part.zones)] = number
    doubtful = np.zeros(owner.shape, bool)
    for number, part in enumerate(parts):
        mine, others = owner == number, (owner >= 0) & (owner != number)
        if part.mirror is None or not (mine.any() and others.any()):
            continue
        away = distance_transform_edt(~others)
        edge = np.argwhere(mine & (away <= away[mine].min() + _EDGE_PX))  # wings that hang apart leave a gap
        columns = problem.mounting(number)
        reach = _FOLD_SIGMAS * _edge_sigma_px(part, edge[:, ::-1].astype(float), covariance[np.ix_(columns, columns)])
        doubtful |= (mine & (away <= reach)) | (others & (distance_transform_edt(~mine) <= reach))
    return doubtful


def _edge_sigma_px(part: ViewPart, pixels_px: Array, covariance: Array) -> float:
    """1-sigma of where a mirror's edge is seen, from the (12, 12) covariance of how camera and mirror are mounted.

    Of a point X of the mirror, R^T (X - C) in the camera: shifts and turns move X - C by m + n x (X - M) - s - w x
    (X - C).
    """
    surface, camera, mirror = part.model.surfaces[0], part.model.projector, part.model.mirror
    at = mirror.to_table(part.model.trace(part.own_pixels(pixels_px), zone=surface.zone, extended=True).mirror_mm)
    at = at[np.isfinite(at).all(axis=-1)]
    eye, R = camera.placement.position_mm, camera.placement.rotation
    x, y, z = ((at - eye) @ R).T
    slope = np.concatenate([-_rigid(at - eye), _rigid(at - mirror.position_mm)], axis=-1)
    slope = np.einsum("ji,njk->nik", R, slope)
    zero = np.zeros_like(z)
    by_px = np.stack(
        [np.stack([1.0 / z, zero, -x / z**2], axis=-1), np.stack([zero, 1.0 / z, -y / z**2], axis=-1)], axis=1
    )
    moved = camera.focal_px * by_px @ slope
    return float(np.sqrt(np.einsum("nij,jk,nik->n", moved, covariance, moved).max())) if len(at) else 0.0


def _rigid(arm_mm: Array) -> Array:
    """(N, 3, 6) how points move with a shift, and with a turn about the end of their arms (N, 3)."""
    x, y, z = arm_mm.T
    zero = np.zeros_like(x)
    turn = np.stack([np.stack(row, axis=-1) for row in ((zero, z, -y), (-z, zero, x), (y, -x, zero))], axis=1)
    return np.concatenate([np.broadcast_to(np.eye(3), turn.shape), turn], axis=-1)
