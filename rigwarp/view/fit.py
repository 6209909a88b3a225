"""From what a view saw to its map: each mirror's part fitted by itself, and put together over the camera's pixels."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, label

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, ViewMap, at_height
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table
from rigwarp.table_map import Samples, TableMapFit, fit_table_map
from rigwarp.view.design import trace_view
from rigwarp.view.lean import lean_at, lean_sigma
from rigwarp.view.parts import ViewPart
from rigwarp.view.pieces import Piece, find_pieces, zone_numbers
from rigwarp.view.seen import Seen

_LARGEST_HOLE = 400  # pixels: a speck is bridged by the model, a housing is not
_FEWEST = 500  # samples of a part


@dataclass(frozen=True, kw_only=True)
class PartFit:
    """One mirror's part of a view's map.

    Attributes
    ----------
    part : which.
    fit : its map over its own picture (flipped for a table seen directly).
    pixels : how many of the view's pixels it answers.
    lean_sigma : 1-sigma per axis of its lean, mm per mm.
    """

    part: ViewPart
    fit: TableMapFit
    pixels: int
    lean_sigma: float


@dataclass(frozen=True, kw_only=True)
class ViewFit:
    """A view's map and what is needed to judge it.

    Attributes
    ----------
    view_map : the result.
    parts : what it was put together from.
    n, rms_mm, max_mm : distance between the map and samples that were not used for it.
    p95_mm, z_spread : the same, and over the stated sigma: of the part in which they are worst.
    coverage : share of the pixels which the registered design lets see the table that samples support.
    not_proven : why held-out samples do not bear the stated sigma out; empty if they do.
    """

    view_map: ViewMap
    parts: tuple[PartFit, ...]
    n: int
    rms_mm: float
    p95_mm: float
    max_mm: float
    z_spread: float
    coverage: float
    not_proven: str


def fit_view(parts: Sequence[ViewPart], seen: Seen, table: Table, camera: CameraModel | None = None) -> ViewFit:
    """Fit the map of a view.

    Parameters
    ----------
    parts : the design.
    seen : the measured places.
    table : the surface.
    camera : the camera that measured them, where one did: whose errors a mirror's estimate has to know.

    Raises
    ------
    MeasurementError
        Too little of the table is seen, or not where the design would have it.
    """
    pieces = find_pieces(seen.table_mm, parts, float(np.hypot(*table.size_mm)))
    owner = zone_numbers(pieces, seen.light.shape)
    nearest = _nearest_owner(owner, pieces)
    fits = []
    for part in parts:
        mine = [piece for piece in pieces if piece.part is part]
        if sum(int(piece.here.sum()) for piece in mine) < _FEWEST:
            continue
        samples = _samples(part, mine, seen, camera)
        common = _common(part, seen)
        fits.append((part, fit_table_map(part.model, samples, common, part.tolerances)))
    if not fits:
        raise MeasurementError("too few pixels of each of the view's mirrors see the table to fit a map. Scan again")
    answers = [_answers(part, fit, nearest) for part, fit in fits]
    view_map = _joined(fits, answers)
    return ViewFit(
        view_map=view_map,
        parts=tuple(_part_fit(part, fit, int(here.sum())) for (part, fit), here in zip(fits, answers, strict=True)),
        **_judged(fits),
        coverage=_coverage(parts, fits, view_map, table),
        not_proven="; ".join(dict.fromkeys(fit.not_proven for _, fit in fits if fit.not_proven)),
    )


def _nearest_owner(owner: NDArray[np.int64], pieces: Sequence[Piece]) -> NDArray[np.int64]:
    """(H, W) piece nearest to each pixel, those that belong to no part included (-2)."""
    owner = owner.copy()
    for piece in pieces:
        if piece.part is None:
            owner[piece.here] = -2
    row, column = distance_transform_edt(owner == -1, return_distances=False, return_indices=True)
    part_of = np.array([-1 if piece.part is None else piece.part.first_zone for piece in pieces] + [-1, -1])
    return np.asarray(part_of[owner[row, column]])


def _samples(part: ViewPart, pieces: Sequence[Piece], seen: Seen, camera: CameraModel | None) -> Samples:
    """The part's samples: the pixel is exact, and what is not known of the place counts as if it were the pixel."""
    here = np.any([piece.here for piece in pieces], axis=0)
    rim = np.any([piece.rim for piece in pieces], axis=0)
    v, u = np.nonzero(here)
    table_mm = seen.table_mm[v, u]
    per_px = _mm_per_px(seen.table_mm)[v, u]
    camera_px = np.zeros((len(u), 2))
    if camera is not None:
        camera_px = camera.project(at_height(table_mm, part.model.table_height_mm))
    return Samples(
        pixels_px=part.own_pixels(np.stack([u, v], axis=-1).astype(float)),
        sigma_px=np.repeat((seen.random_mm[v, u] / per_px)[:, None], 2, axis=1),
        table_mm=table_mm,
        light=seen.light[v, u],
        camera_px=camera_px,
        count=np.ones(len(u), np.int64),
        cut=rim[v, u],
    )


def _mm_per_px(table_mm: Array) -> Array:
    """(H, W) root of the mean square step from pixel to pixel, both ways; filled where unknown."""
    square = np.full(table_mm.shape[:2], np.nan)
    across = np.sum((table_mm[:-1, 1:] - table_mm[:-1, :-1]) ** 2, axis=-1)
    down = np.sum((table_mm[1:, :-1] - table_mm[:-1, :-1]) ** 2, axis=-1)
    square[:-1, :-1] = across + down
    square[square > 9.0 * np.nanmedian(square)] = np.nan  # across a fold
    return np.sqrt(_filled(square))


def _filled(values: Array) -> Array:
    """(H, W) with the nearest known value where there is none."""
    row, column = distance_transform_edt(~np.isfinite(values), return_distances=False, return_indices=True)
    return np.asarray(values[row, column])


def _common(part: ViewPart, seen: Seen) -> Callable[[Array, BoolArray], Array]:
    sigma = part.own_picture(_filled(seen.common_mm))
    return lambda table_mm, answered: np.where(answered, sigma, np.nan)


def _answers(part: ViewPart, fit: TableMapFit, nearest: NDArray[np.int64]) -> BoolArray:
    """(H, W) camera pixels that a part answers: measured ones, and specks among them; not what hides the table."""
    measured, answered = (part.own_picture(a) for a in (fit.table_map.measured, fit.table_map.answered))
    holes, count = label(answered & ~measured)
    small = np.bincount(holes.ravel(), minlength=count + 1) <= _LARGEST_HOLE
    small[0] = False
    return np.asarray((measured | small[holes]) & (nearest == part.first_zone))


def _joined(fits: Sequence[tuple[ViewPart, TableMapFit]], answers: Sequence[BoolArray]) -> ViewMap:
    shape = answers[0].shape
    names = ("x_mm", "y_mm", "sigma_mm", "lean_x", "lean_y")
    found = {name: np.full(shape, np.nan) for name in names}
    zone, measured = np.full(shape, NO_LIGHT, np.int16), np.zeros(shape, bool)
    for (part, fit), here in zip(fits, answers, strict=True):
        own = part.own_picture(here)
        lean = np.full((*shape, 2), np.nan)
        for number in np.unique(fit.table_map.zone[own]):
            there = own & (fit.table_map.zone == number)
            lean[there] = lean_at(fit.registration.model, int(number), there, fit.table_map.table_mm[there])
        values = (fit.table_map.x_mm, fit.table_map.y_mm, fit.table_map.sigma_mm, lean[..., 0], lean[..., 1])
        for name, picture in zip(names, values, strict=True):
            found[name][here] = part.own_picture(picture)[here]
        zone[here] = part.own_picture(fit.table_map.zone)[here] + part.first_zone
        measured[here] = part.own_picture(fit.table_map.measured)[here]
    return ViewMap(zone=zone, measured=measured, **found)


def _part_fit(part: ViewPart, fit: TableMapFit, pixels: int) -> PartFit:
    sigma = lean_sigma(part, fit.registration, fit.cells.pixels_px, fit.cells.table_mm, fit.cell_zone)
    return PartFit(part=part, fit=fit, pixels=pixels, lean_sigma=sigma)


def _judged(fits: Sequence[tuple[ViewPart, TableMapFit]]) -> dict[str, Any]:
    held = [fit.held_out for _, fit in fits if fit.held_out.n]
    if not held:
        return {"n": 0, **dict.fromkeys(("rms_mm", "p95_mm", "max_mm", "z_spread"), np.nan)}
    n = sum(one.n for one in held)
    return {
        "n": n,
        "rms_mm": float(np.sqrt(sum(one.n * one.rms_mm**2 for one in held) / n)),
        "p95_mm": max(one.p95_mm for one in held),
        "max_mm": max(one.max_mm for one in held),
        "z_spread": max(one.z_spread for one in held),
    }


def _coverage(
    parts: Sequence[ViewPart], fits: Sequence[tuple[ViewPart, TableMapFit]], view_map: ViewMap, table: Table
) -> float:
    registered = {part.first_zone: fit.registration.model for part, fit in fits}
    moved = [replace(part, model=registered.get(part.first_zone, part.model)) for part in parts]
    wanted = trace_view(moved, table).answered
    return float(np.mean(view_map.measured[wanted])) if wanted.any() else 0.0
