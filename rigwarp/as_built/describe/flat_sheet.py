"""Panels as they are cut from flat sheet: outlines unrolled and laid together at their folds, and the folds' angles.

Everything is drawn as seen from the reflecting side. A fold's angle is how far the sheet is bent there, 0 for flat.

A fold takes of the flat sheet the length of its neutral axis round the bend, A = theta (R + k t) with the inside radius
R, the thickness t and the neutral axis k t from the inside; Machinery's Handbook, "Lengths of straight stock required
for bends", has it for 90 degrees as 1.57 R + 0.55 t for soft copper and brass (k = 0.35), 0.64 t for soft steel and
aluminium (0.41), 0.71 t for spring and cold-rolled steel (0.45).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product

import numpy as np

from rigwarp.as_built.describe.footprint import zone_points
from rigwarp.as_built.describe.mould import Correction
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Sheet
from rigwarp.tracing.surfaces.bent_panel import CylinderSurface
from rigwarp.tracing.surfaces.panel import FlatSurface
from rigwarp.tracing.surfaces.surface import unit_normals

SheetPanel = FlatSurface | CylinderSurface
_STEP_MM = 1.0  # between points of an unrolled edge
_SAME_MM = 0.2  # corners typed with a ruler's care that are one corner
_STEEP = 0.2  # least sine of a corner's angle
_GAP_MM = 15.0  # between pieces that do not hang together
_SURE = 2.0  # a fold's deviation is corrected when it is this many sigma from zero
_FEWEST_POINTS = 30  # of the as-built grid that tell a panel's curve


@dataclass(frozen=True, kw_only=True)
class FoldLine:
    """One fold.

    Attributes
    ----------
    zones : of the panels that meet.
    ends_mm : (2, 2) on the flat pattern.
    towards_light : whether the reflecting sides fold towards each other.
    design_deg, built_deg, bend_deg : as drawn, as built (None where the scan does not tell it from the design), and
        what to bend to next.
    taken_off_mm : by how much the flat is shorter there than its panels; None: the sheet is not told.
    """

    zones: tuple[int, int]
    ends_mm: Array
    towards_light: bool
    design_deg: float
    built_deg: float | None
    bend_deg: float
    taken_off_mm: float | None


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One panel on the flat pattern: `edges_mm` of (N, 2) points, which of them are folds, mirror x and y there."""

    zone: int
    edges_mm: tuple[Array, ...]
    folded: tuple[bool, ...]
    x_axis: Array
    y_axis: Array

    @property
    def points_mm(self) -> Array:
        """(N, 2) all points of the rim."""
        return np.concatenate(self.edges_mm)


@dataclass(frozen=True, kw_only=True)
class Curve:
    """The curve to which a panel is bent: radii in mm, + towards the light, and its width along the chord."""

    zone: int
    design_radius_mm: float
    radius_mm: float
    chord_mm: float


@dataclass(frozen=True, kw_only=True)
class FlatSheet:
    """What a sheet mirror is cut and bent from; `stock` None: drawn as if it had no thickness."""

    pieces: tuple[Piece, ...]
    folds: tuple[FoldLine, ...]
    curves: tuple[Curve, ...]
    stock: Sheet | None = None


def flat_sheet(
    panels: Sequence[SheetPanel],
    *,
    side: int,
    opened_deg: Mapping[tuple[int, int], tuple[float, float]],
    share: float,
    correction: Correction | None,
    stock: Sheet | None = None,
) -> FlatSheet:
    """The flat pattern with the share of what folds and bends are off by taken off.

    Parameters
    ----------
    side : +1 where the reflecting side looks along the mirror's +z, else -1.
    opened_deg : zones -> by how much the built fold is flatter than designed, and its 1-sigma.
    correction : to the design; None where no panel is bent.
    stock : the sheet, whose folds and bends have their allowance on the pattern.
    """
    joints = [
        replace(joint, fold=_fold(panels, joint, side=side, opened_deg=opened_deg, share=share, stock=stock))
        for joint in _joints(panels)
    ]
    pieces, folds = _folded(_placed([_unrolled(panel, side, stock) for panel in panels], joints), joints)
    curves = tuple(_curve(p, side, correction) for p in panels if isinstance(p, CylinderSurface))
    return FlatSheet(pieces=tuple(pieces), folds=tuple(folds), curves=curves, stock=stock)


def allowance_mm(bend_deg: float, sheet: Sheet) -> float:
    """The neutral axis' length round a fold of this angle, 0 for flat."""
    return math.radians(bend_deg) * (sheet.fold_radius_mm + sheet.k_factor * sheet.thickness_mm)


def taken_off_mm(bend_deg: float, sheet: Sheet, *, towards_light: bool) -> float:
    """By how much the flat is shorter than its two panels, which are drawn on the reflecting side up to a sharp fold.

    Each ends before the fold by the tangent of half its angle times the radius of that side; negative: it is longer.
    """
    radius_mm = sheet.fold_radius_mm + (0.0 if towards_light else sheet.thickness_mm)
    return 2.0 * radius_mm * math.tan(math.radians(bend_deg) / 2.0) - allowance_mm(bend_deg, sheet)


def _placed(pieces: Sequence[Piece], joints: Sequence["_Joint"]) -> list[Piece]:
    """Each piece laid against one that lies there already, nearer by what the fold takes; else beside all of them."""
    placed = {0: pieces[0]}
    while len(placed) < len(pieces):
        found = next((j for j in joints if j.first in placed and j.second not in placed), None)
        if found is None:
            number = next(i for i in range(len(pieces)) if i not in placed)
            placed[number] = _beside(pieces[number], list(placed.values()))
        else:
            onto = placed[found.first].edges_mm[found.edge]
            laid = _attached(pieces[found.second], found.other, onto[:: found.way])
            nearer = -found.taken_mm * _outwards(placed[found.first], found.edge)
            placed[found.second] = _moved(laid, np.eye(2), nearer)
    return [placed[i] for i in range(len(pieces))]


def _folded(placed: list[Piece], joints: Sequence["_Joint"]) -> tuple[list[Piece], list[FoldLine]]:
    """The pieces, which end in the middle of each fold that they share on the pattern, and these folds."""
    pieces, folds = list(placed), []
    for joint in joints:
        one, two = placed[joint.first], placed[joint.second]
        nearer = joint.taken_mm * _outwards(one, joint.edge)
        apart = one.edges_mm[joint.edge][[0, -1]] - two.edges_mm[joint.other][[0, -1]][:: joint.way] - nearer
        if joint.fold is None or joint.first > joint.second or np.abs(apart).max() >= 2.0 * _SAME_MM:
            continue
        for number, edge in ((joint.first, joint.edge), (joint.second, joint.other)):
            trimmed = _trimmed(pieces[number], edge, joint.taken_mm / 2.0)
            marked = tuple(on or i == edge for i, on in enumerate(trimmed.folded))
            pieces[number] = replace(trimmed, folded=marked)
        folds.append(replace(joint.fold, ends_mm=pieces[joint.first].edges_mm[joint.edge][[0, -1]]))
    return pieces, folds


def _outwards(piece: Piece, edge: int) -> Array:
    """(2,) unit vector across an edge, away from the piece."""
    start, end = piece.edges_mm[edge][[0, -1]]
    along = _unit(end - start)
    across = np.array([-along[1], along[0]])
    return -across if across @ (piece.points_mm.mean(axis=0) - start) > 0.0 else across


def _trimmed(piece: Piece, edge: int, by_mm: float) -> Piece:
    """The piece with an edge moved into it, or out of it where `by_mm` is negative; its neighbours end there."""
    if by_mm == 0.0:
        return piece
    inwards, edges = -_outwards(piece, edge), list(piece.edges_mm)
    before, after = (edge - 1) % len(edges), (edge + 1) % len(edges)
    edges[before] = _cut_back(edges[before][::-1], inwards, by_mm)[::-1]
    edges[after] = _cut_back(edges[after], inwards, by_mm)
    edges[edge] = np.linspace(edges[before][-1], edges[after][0], len(edges[edge]))
    return replace(piece, edges_mm=tuple(edges))


def _cut_back(line_mm: Array, inwards: Array, by_mm: float) -> Array:
    """A line (N, 2) that begins at an edge, begun where it is `by_mm` inside of it."""
    along = _unit(line_mm[1] - line_mm[0])
    begin = line_mm[0] + along * by_mm / max(float(along @ inwards), _STEEP)
    rest = line_mm[1:]
    return np.vstack([begin, rest[(rest - line_mm[0]) @ inwards > by_mm]])


def _looks_up(panel: SheetPanel, side: int) -> bool:
    """Whether the panel's own +z is its reflecting side."""
    return bool(np.sign(panel.T_mirror_from_surface[2, 2]) == side)


def _corners(panel: SheetPanel) -> Array:
    """(K, 3) mirror frame, in the order of its outline's edges."""
    x, y = panel.outline.edges_mm[:, 0].T
    T = panel.T_mirror_from_surface
    return np.asarray(np.stack([x, y, panel.sag(x, y)], axis=-1) @ T[:3, :3].T + T[:3, 3])


def _unrolled(panel: SheetPanel, side: int, stock: Sheet | None) -> Piece:
    """One panel by itself, its mirror image where its frame looks away from the light."""
    neutral_mm = 0.0  # the middle of the sheet lies behind the reflecting side
    if isinstance(panel, CylinderSurface) and stock is not None:
        hollow = (panel.radius_mm > 0.0) == _looks_up(panel, side)
        neutral_mm = (0.5 if hollow else -0.5) * stock.thickness_mm
    sign = 1.0 if _looks_up(panel, side) else -1.0
    edges = []
    for start, end in panel.outline.edges_mm:
        count = 2 if isinstance(panel, FlatSurface) else max(int(np.ceil(np.linalg.norm(end - start) / _STEP_MM)), 2)
        points = start + np.linspace(0.0, 1.0, count)[:, None] * (end - start)
        if isinstance(panel, CylinderSurface):
            radius = abs(panel.radius_mm)
            points[:, 0] = (radius + neutral_mm) * np.arcsin(points[:, 0] / radius)
        edges.append(points * np.array([sign, 1.0]))
    R = panel.T_mirror_from_surface[:3, :3]
    axes = [_unit(R[k, :2] * np.array([sign, 1.0])) for k in (0, 1)]
    return Piece(zone=panel.zone, edges_mm=tuple(edges), folded=(False,) * len(edges), x_axis=axes[0], y_axis=axes[1])


def _unit(vector: Array) -> Array:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))


@dataclass(frozen=True, kw_only=True)
class _Joint:
    """Two panels, by number, and their edges that are one in space; `way` -1: these run against each other."""

    first: int
    edge: int
    second: int
    other: int
    way: int
    fold: FoldLine | None = None

    @property
    def taken_mm(self) -> float:
        """By how much the flat is shorter there."""
        return (self.fold.taken_off_mm or 0.0) if self.fold is not None else 0.0


def _joints(panels: Sequence[SheetPanel]) -> list[_Joint]:
    """All of them, each from both sides."""
    ends = [[np.stack([a, b]) for a, b in zip(c, np.roll(c, -1, axis=0), strict=True)] for c in map(_corners, panels)]
    found = []
    for first, second in permutations(range(len(panels)), 2):
        for (edge, one), (other, two) in product(enumerate(ends[first]), enumerate(ends[second])):
            for way in (1, -1):
                if np.abs(one - two[::way]).max() < _SAME_MM:
                    found.append(_Joint(first=first, edge=edge, second=second, other=other, way=way))
    return found


def _attached(piece: Piece, edge: int, onto_mm: Array) -> Piece:
    """The piece turned and shifted so that its edge lies on another's (N, 2)."""
    start, end = piece.edges_mm[edge][[0, -1]]
    to_start, to_end = onto_mm[[0, -1]]
    (x, y), to = _unit(end - start), _unit(to_end - to_start)
    c, s = to @ [x, y], to @ [-y, x]
    R = np.array([[c, -s], [s, c]])
    shift = (to_start + to_end) / 2.0 - R @ (start + end) / 2.0
    return _moved(piece, R, shift)


def _beside(piece: Piece, others: Sequence[Piece]) -> Piece:
    """The piece to the right of all others."""
    right = max(float(other.points_mm[:, 0].max()) for other in others)
    middle = float(np.mean([other.points_mm[:, 1].mean() for other in others]))
    low = piece.points_mm.min(axis=0)
    shift = np.array([right + _GAP_MM - low[0], middle - float(piece.points_mm[:, 1].mean())])
    return _moved(piece, np.eye(2), shift)


def _moved(piece: Piece, R: Array, shift: Array) -> Piece:
    return replace(
        piece,
        edges_mm=tuple(edge @ R.T + shift for edge in piece.edges_mm),
        x_axis=R @ piece.x_axis,
        y_axis=R @ piece.y_axis,
    )


def _fold(
    panels: Sequence[SheetPanel],
    joint: _Joint,
    *,
    side: int,
    opened_deg: Mapping[tuple[int, int], tuple[float, float]],
    share: float,
    stock: Sheet | None,
) -> FoldLine:
    """A fold, its place on the pattern still to come."""
    zones = (panels[joint.first].zone, panels[joint.second].zone)
    normals, middles = [], []
    for number, edge in ((joint.first, joint.edge), (joint.second, joint.other)):
        panel = panels[number]
        T = panel.T_mirror_from_surface
        at = panel.outline.edges_mm[edge].mean(axis=0)
        normal = T[:3, :3] @ unit_normals(panel, at[0], at[1])
        normals.append(normal if _looks_up(panel, side) else -normal)
        middles.append(_corners(panel).mean(axis=0))
    design = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(normals[0], normals[1])), normals[0] @ normals[1])))
    opened, sigma = opened_deg.get(zones, opened_deg.get(zones[::-1], (0.0, np.inf)))
    told = abs(opened) > _SURE * sigma
    towards_light = bool(normals[0] @ (middles[1] - middles[0]) > 0.0)
    bend = design + (share * opened if told else 0.0)
    return FoldLine(
        zones=zones,
        ends_mm=np.full((2, 2), np.nan),
        towards_light=towards_light,
        design_deg=design,
        built_deg=design - opened if told else None,
        bend_deg=bend,
        taken_off_mm=None if stock is None else taken_off_mm(bend, stock, towards_light=towards_light),
    )


def _curve(panel: CylinderSurface, side: int, correction: Correction | None) -> Curve:
    """Design and corrected radius; the correction's second derivative across the panel changes the curvature."""
    (low, high), _ = panel.bounds_mm
    towards = 1.0 if _looks_up(panel, side) else -1.0
    curvature = 1.0 / panel.radius_mm + (0.0 if correction is None else _bend_per_mm(panel, correction))
    return Curve(
        zone=panel.zone,
        design_radius_mm=towards * panel.radius_mm,
        radius_mm=float(towards / curvature),
        chord_mm=float(high - low),
    )


def _bend_per_mm(panel: CylinderSurface, correction: Correction) -> float:
    known: BoolArray = (correction.zone == panel.zone) & np.isfinite(correction.dz_mm)
    if np.count_nonzero(known) < _FEWEST_POINTS:
        return 0.0
    grid = np.stack(np.meshgrid(correction.x_mm, correction.y_mm), axis=-1)[known]
    above = zone_points((panel,), grid[None], np.full((1, len(grid)), panel.zone, np.int16))
    x, y = above.local_mm.T
    height = correction.dz_mm[known] / above.per_height
    terms = np.stack([np.ones_like(x), x, y, x * y, y * y, x * x], axis=-1)
    size = np.abs(terms).max(axis=0)
    share = np.linalg.lstsq(terms / size, height, rcond=None)[0] / size
    return float(2.0 * share[-1])
