"""From what a view saw to its map: each mirror's part fitted by itself, and put together over the camera's pixels."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, ViewMap, at_height
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table
from rigwarp.table_map import Samples, TableMapFit, fit_table_map
from rigwarp.view.design import trace_view
from rigwarp.view.lean import LeanDoubt, seen_leans
from rigwarp.view.lit import Lit
from rigwarp.view.parts import ViewPart
from rigwarp.view.pieces import Piece, find_pieces, nearest_piece
from rigwarp.view.registration import PartSamples, ViewRegistration, register_view
from rigwarp.view.seen import Seen, filled, mm_per_px, mostly_lit

_LARGEST_HOLE = 400  # pixels: a speck is bridged by the model, a housing is not
_OWN_SHARE = 0.05  # of a piece: less of it that the fit gives to another zone is the fit's border that is off
_NEAR_PX = 2.0  # from a pixel that saw its place, one is measured: beyond, at a fold, it may be another mirror's
_FEWEST = 500  # samples of a part
_STRAINED = 6.0  # times a tolerance, 1-sigma: chance does not go there
_MISFIT = 0.03  # of the table's size
_REGISTERED = 2000  # samples of a part tell where it hangs


@dataclass(frozen=True, kw_only=True)
class PartFit:
    """One mirror's part of a view's map.

    Attributes
    ----------
    part : which, as registered.
    fit : its map over its own picture (flipped for a table seen directly).
    """

    part: ViewPart
    fit: TableMapFit


@dataclass(frozen=True, kw_only=True)
class ViewFit:
    """A view's map and what is needed to judge it.

    Attributes
    ----------
    view_map : the result.
    parts : what it was put together from.
    registration : how the design had to be moved.
    n, rms_mm, max_mm : distance between the map and samples that were not used for it.
    p95_mm, z_spread : the same, and over the stated sigma: of the part in which they are worst.
    coverage : share of the pixels which the registered design lets see the lit table that samples support.
    lit_share : share of those that see the table which see it where it was lit.
    not_proven : why held-out samples, or the design, do not bear the stated sigma out; empty if they do.
    """

    view_map: ViewMap
    parts: tuple[PartFit, ...]
    registration: ViewRegistration
    n: int
    rms_mm: float
    p95_mm: float
    max_mm: float
    z_spread: float
    coverage: float
    lit_share: float
    not_proven: str


def fit_view(
    parts: Sequence[ViewPart], seen: Seen, table: Table, camera: CameraModel | None = None, *, lit: Lit | None = None
) -> ViewFit:
    """Fit the map of a view.

    Parameters
    ----------
    parts : the design.
    seen : the measured places.
    table : the surface.
    camera : the camera that measured them, where one did: whose errors a mirror's estimate has to know.
    lit : where on the table there was anything to see; None for all of it.

    Raises
    ------
    MeasurementError
        Too little of the table is seen, or not where the design would have it.
    """
    pieces, samples, registration = _registered(parts, seen, table, camera)
    nearest, away_px = nearest_piece(pieces, seen.light.shape)
    fits = [
        (part, fit_table_map(part.model, one, _common(part, seen), part.tolerances))
        for part, one in zip(registration.parts, samples, strict=True)
    ]
    supported = [part.own_picture(fit.table_map.measured) & (away_px <= _NEAR_PX) for part, fit in fits]
    answers = [_answers(part, fit, here, pieces, nearest) for (part, fit), here in zip(fits, supported, strict=True)]
    view_map = _joined(fits, answers, supported)
    return ViewFit(
        view_map=view_map,
        parts=tuple(PartFit(part=part, fit=fit) for part, fit in fits),
        registration=registration,
        **_judged(fits),
        **_coverage(parts, fits, view_map, table, lit),
        not_proven="; ".join(
            dict.fromkeys(
                words
                for words in (_strained(registration), _misfit(registration, table), *(f.not_proven for _, f in fits))
                if words
            )
        ),
    )


def _strained(registration: ViewRegistration) -> str:
    """Words where the design would have to be moved further than anybody hangs a mirror."""
    if registration.strain <= _STRAINED:
        return ""
    return (
        f"camera or mirrors would have to hang {registration.strain:.0f} times their tolerance away from where "
        "rig.toml has them: check [view] and its mirrors there, where the sheet or display lay, and its photographs"
    )


def _misfit(registration: ViewRegistration, table: Table) -> str:
    """Words where the design, wherever it hangs, does not see the table as it was seen: bends are far smaller."""
    off_mm = max(registration.rms_after_mm)
    if off_mm <= _MISFIT * float(np.hypot(*table.size_mm)):
        return ""
    return (
        f"the design, moved to where it fits best, sees the table {off_mm:.0f} mm beside where it was seen: check that "
        "the sheet or display lay as it should, top edge away from you, and [view] and its mirrors in rig.toml"
    )


def register_seen(parts: Sequence[ViewPart], seen: Seen, table: Table) -> tuple[tuple[ViewPart, ...], LeanDoubt]:
    """The design moved to where it was seen, and what its lean may be off: for places that are told by way of the lean.

    Raises
    ------
    MeasurementError
        As `fit_view`, and where the design does not see the table as it was seen.
    """
    _, _, registration = _registered(parts, seen, table, None)
    if words := _misfit(registration, table):
        raise MeasurementError(words)
    moved = {part.first_zone: part for part in registration.parts}
    return tuple(moved.get(part.first_zone, part) for part in parts), registration.lean_doubt


def _registered(
    parts: Sequence[ViewPart], seen: Seen, table: Table, camera: CameraModel | None
) -> tuple[list[Piece], list[Samples], ViewRegistration]:
    """Pieces of what was seen, samples of the parts that show enough, and how these had to be moved."""
    surely = np.where(mostly_lit(seen.light)[..., None], seen.table_mm, np.nan)
    pieces = find_pieces(surely, parts, float(np.hypot(*table.size_mm)))
    mine = {part.first_zone: [piece for piece in pieces if piece.part is part] for part in parts}
    used = [p for p in parts if sum(int(piece.here.sum()) for piece in mine[p.first_zone]) >= _FEWEST]
    if not used:
        raise MeasurementError("too few pixels of each of the view's mirrors see the table to fit a map. Scan again")
    samples = [_samples(part, mine[part.first_zone], seen, camera) for part in used]
    registration = register_view(used, [_with_zones(part, one) for part, one in zip(used, samples, strict=True)])
    return pieces, samples, registration


def _samples(part: ViewPart, pieces: Sequence[Piece], seen: Seen, camera: CameraModel | None) -> Samples:
    """The part's samples: the pixel is exact, and what is not known of the place counts as if it were the pixel."""
    here = np.any([piece.here for piece in pieces], axis=0)
    rim = np.any([piece.rim for piece in pieces], axis=0)
    v, u = np.nonzero(here)
    table_mm = seen.table_mm[v, u]
    per_px = mm_per_px(seen.table_mm)[v, u]
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


def _with_zones(part: ViewPart, samples: Samples) -> PartSamples:
    """With the surface by which each would be seen nearest to where it was."""
    numbers = np.array([surface.zone for surface in part.model.surfaces], np.int64)
    every = slice(None, None, max(1, len(samples) // _REGISTERED))
    pixels, places = samples.pixels_px[every], samples.table_mm[every]
    zone = np.full(len(pixels), numbers[0])
    if len(numbers) > 1:
        landed = [part.model.trace(pixels, zone=int(n), extended=True).table_mm for n in numbers]
        off = np.linalg.norm(np.stack(landed) - places, axis=-1)
        zone = numbers[np.argmin(np.where(np.isfinite(off), off, np.inf), axis=0)]
    return PartSamples(pixels_px=pixels, table_mm=places, zone=zone)


def _common(part: ViewPart, seen: Seen) -> Callable[[Array, BoolArray], Array]:
    sigma = part.own_picture(filled(seen.common_mm))
    return lambda table_mm, answered: np.where(answered, sigma, np.nan)


def _answers(
    part: ViewPart, fit: TableMapFit, measured: BoolArray, pieces: Sequence[Piece], nearest: NDArray[np.int64]
) -> BoolArray:
    """(H, W) camera pixels that a part answers: measured ones, and specks among them; not what hides the table.

    Whose a pixel near a fold is the piece tells that is `nearest`, not the fit's border.
    """
    holes, count = label(part.own_picture(fit.table_map.answered) & ~measured)
    small = np.bincount(holes.ravel(), minlength=count + 1) <= _LARGEST_HOLE
    small[0] = False
    zone, own = part.own_picture(fit.table_map.zone), np.zeros(measured.shape, bool)
    for number, piece in enumerate(pieces):
        if piece.part is not None and piece.part.first_zone == part.first_zone:
            shares = np.bincount(zone[piece.here & measured], minlength=1) / max(int(piece.here.sum()), 1)
            own |= (nearest == number) & np.isin(zone, np.flatnonzero(shares > _OWN_SHARE))
    return np.asarray((measured | small[holes]) & own)


def _joined(
    fits: Sequence[tuple[ViewPart, TableMapFit]], answers: Sequence[BoolArray], supported: Sequence[BoolArray]
) -> ViewMap:
    shape = answers[0].shape
    names = ("x_mm", "y_mm", "sigma_mm")
    found = {name: np.full(shape, np.nan) for name in names}
    zone, measured = np.full(shape, NO_LIGHT, np.int16), np.zeros(shape, bool)
    for (part, fit), here, near in zip(fits, answers, supported, strict=True):
        for name in names:
            found[name][here] = part.own_picture(getattr(fit.table_map, name))[here]
        zone[here] = part.own_picture(fit.table_map.zone)[here] + part.first_zone
        measured[here] = near[here]
    lean = seen_leans([part for part, _ in fits], zone, np.stack([found["x_mm"], found["y_mm"]], axis=-1))
    return ViewMap(zone=zone, measured=measured, lean_x=lean[..., 0], lean_y=lean[..., 1], **found)


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
    parts: Sequence[ViewPart],
    fits: Sequence[tuple[ViewPart, TableMapFit]],
    view_map: ViewMap,
    table: Table,
    lit: Lit | None,
) -> dict[str, Any]:
    registered = {part.first_zone: part for part, _ in fits}
    moved = [registered.get(part.first_zone, part) for part in parts]
    design = trace_view(moved, table)
    sees = design.answered
    shown = sees if lit is None else sees & lit.at(design.table_mm)
    return {
        "coverage": float(np.mean(view_map.measured[shown])) if shown.any() else 0.0,
        "lit_share": float(shown.sum() / sees.sum()) if sees.any() else 0.0,
    }
