"""The next mirror for the workshop: a solid to form it over or print, or the flat pattern of a sheet."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from rigwarp.as_built.describe.flat_sheet import Curve, FlatSheet, FoldLine, Piece, flat_sheet
from rigwarp.as_built.describe.mould import Correction, check_zones, corrected_mesh, correction_of
from rigwarp.as_built.describe.mould_solid import is_closed, mould_solid
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, read_as_built, write_stl
from rigwarp.files.atomic import write_text
from rigwarp.files.exports.workshop_drawing import CUT, NOTE, SCORE, Label, Stroke, WorkshopDrawing, dxf_text, svg_text
from rigwarp.files.names import AS_BUILT_FILE
from rigwarp.files.records import AsBuiltRecord
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.jobs.design import design_model
from rigwarp.rig import FacetsShape, MeshShape
from rigwarp.tracing import OpticalModel
from rigwarp.tracing.surfaces.bent_panel import CylinderSurface
from rigwarp.tracing.surfaces.panel import FlatSurface

_T = TypeVar("_T")
_BAR_MM = 100.0
_ARROW_MM = 15.0
_CARD_MM = 20.0  # body of a template beyond its curve
_LINE_MM = 6.0
_ROUND = 1.02  # the farthest place of an outline over its half size, up to which it looks alike from all sides
_WRITERS: Final[dict[str, Callable[[WorkshopDrawing], str]]] = {"svg": svg_text, "dxf": dxf_text}


def export_mould(
    folder: RigFolder,
    result: Path,
    *,
    out: Path | None,
    replace: bool,
    share: float,
    without_power: bool,
    thickness_mm: float,
    drawing: str = "svg",
) -> dict[str, Any]:
    """Write the next mirror, and say what was done by name.

    Parameters
    ----------
    share, without_power : see `correction_of`; folds are corrected by the same share.
    thickness_mm : of the plate under a solid.
    drawing : "svg" or "dxf", for sheets.

    Raises
    ------
    InputError, MeasurementError
        The result lacks what is needed or does not tell it, or there is no drawing of such a mirror.
    """
    arrays, numbers = read_as_built(result)
    built = AsBuiltRecord.from_dict(numbers)
    model = design_model(folder)
    side = told(result, "sign.reflecting_side_along_mirror_z", built.reflecting_side)

    def correction() -> Correction:
        found = correction_of(
            x_mm=arrays["x_mm"],
            y_mm=arrays["y_mm"],
            height_um=arrays["height_um"],
            sigma_um=arrays["height_sigma_um"],
            zone=arrays["zone"],
            reflecting_side=side,
            power_determined=told(result, "power.determined", None if built.power is None else built.power.determined),
            share=share,
            without_power=without_power,
        )
        check_zones(model, found)
        return found

    shape = folder.rig.mirror.shape
    if isinstance(shape, FacetsShape):
        path = out or result / f"corrected_sheet.{drawing}"
        sheet = _sheet(shape, model, _opened_deg(result, built), correction, side=side, share=share)
        write_text(path, _WRITERS[drawing](drawn_sheet(sheet, folder.rig.name)), replace=replace)
        return {
            "file": path,
            "share": share,
            "folds": [{k: v for k, v in asdict(fold).items() if k != "ends_mm"} for fold in sheet.folds],
            "curves": [asdict(curve) for curve in sheet.curves],
            "sentences": _sentences(sheet),
            "mark": "the arrows x and y are the mirror's; everything is seen from the reflecting side",
        }
    if drawing != "svg":
        raise InputError('--format mould-dxf is for mirrors of panels (kind = "facets"). Use --format mould here.')
    path, taken_off = out or result / "corrected_mould.stl", correction()
    mesh, own, note = _mesh_of(shape, folder, model, taken_off, side=side, thickness_mm=thickness_mm)
    write_stl(path, mesh, replace=replace)
    right = "right" if side > 0 else "left"
    mark = f"the nose of the plate points to the mirror's +y; seen from the light, +x is to the {right} of it"
    return {
        "file": path,
        "share": share,
        "correction_rms_um": taken_off.rms_um,
        "correction_largest_um": taken_off.largest_um,
        "triangles": len(mesh.faces),
        "closed": is_closed(mesh),
        "thickness_mm": None if own else thickness_mm,
        "mark": _way_to_x_and_y(mesh, right) if own else mark,
        **({"note": note} if note else {}),
    }


def told(result: Path, key: str, value: _T | None) -> _T:
    """A value of as_built.json, which a file that was changed by hand may lack."""
    if value is None:
        raise InputError(f"{result / AS_BUILT_FILE}: {key}: found nothing usable. Make the result again: rigwarp fit")
    return value


def _way_to_x_and_y(mesh: TriangleMesh, right: str) -> str:
    """How to find the mirror's x and y on a part that has the base of its own CAD file, and no mark of ours."""
    xy = mesh.vertices_mm[:, :2]
    outline = np.ptp(xy, axis=0) / 2.0
    from_middle = np.linalg.norm(xy - xy.min(axis=0) - outline, axis=1)
    way = (
        "the part keeps the base of its own CAD file and has no mark on it: its axes are the file's, and those of the "
        "printer or mill. Write +y on its underside before it leaves the machine; seen from the light, +x is to the "
        f"{right} of it"
    )
    if float(from_middle.max()) < _ROUND * float(outline.mean()):
        return way
    x, y = xy[int(np.argmax(from_middle))]
    return f"{way}; afterwards, the place farthest from the middle of its outline is x {x:.1f}, y {y:.1f} mm"


def _mesh_of(
    shape: object, folder: RigFolder, model: OpticalModel, correction: Correction, *, side: int, thickness_mm: float
) -> tuple[TriangleMesh, bool, str]:
    """The mesh, whether it is the design's own with its surface moved, and what to know of it."""
    if not isinstance(shape, MeshShape):
        return mould_solid(model.surfaces, correction, side=side, thickness_mm=thickness_mm), False, ""
    design = folder.meshes[shape.file]
    moved = corrected_mesh(design, model, correction)
    if is_closed(design):
        return moved, True, ""
    try:
        return mould_solid(model.surfaces, correction, side=side, thickness_mm=thickness_mm), False, ""
    except MeasurementError as error:
        return moved, True, f"{shape.file} is an open surface, and so is the mould: {error}"


def _sheet(
    shape: FacetsShape,
    model: OpticalModel,
    opened_deg: Mapping[tuple[int, int], tuple[float, float]],
    correction: Callable[[], Correction],
    *,
    side: int,
    share: float,
) -> FlatSheet:
    panels = [s for s in model.surfaces if isinstance(s, FlatSurface | CylinderSurface)]
    bent = any(isinstance(panel, CylinderSurface) for panel in panels)
    taken_off = correction() if bent else None
    sheet = flat_sheet(panels, side=side, opened_deg=opened_deg, share=share, correction=taken_off, stock=shape.sheet)
    if not (sheet.folds or bent):
        raise MeasurementError("flat pattern: the panels share no edge and none is bent: there is no fold to correct.")
    return sheet


def _opened_deg(result: Path, built: AsBuiltRecord) -> dict[tuple[int, int], tuple[float, float]]:
    """By its zones, how much flatter each fold is built than designed, and its 1-sigma."""
    return {
        told(result, "folds.zones", fold.between): (
            float(told(result, "folds.opened_deg", fold.opened_deg)),
            float(told(result, "folds.sigma_deg", fold.sigma_deg)),
        )
        for fold in built.folds
    }


def _sentences(sheet: FlatSheet) -> list[str]:
    """What to do at each fold and panel, and what of the sheet's thickness is in the pattern."""
    return [*map(_fold_words, sheet.folds), *map(_curve_words, sheet.curves), _allowance_words(sheet)]


def _fold_words(fold: FoldLine) -> str:
    way = "towards the light" if fold.towards_light else "away from the light"
    found = "not told from the design" if fold.built_deg is None else f"{fold.built_deg:.2f}°"
    bend = f"bend by {fold.bend_deg:.2f}° {way} (design {fold.design_deg:.2f}°, built {found})"
    words, taken = f"fold of panels {fold.zones[0]} and {fold.zones[1]}: {bend}", fold.taken_off_mm
    if taken is None:
        return words
    return f"{words}; flat {abs(taken):.2f} mm {'shorter' if taken > 0.0 else 'longer'} than its panels"


def _allowance_words(sheet: FlatSheet) -> str:
    if sheet.stock is None:
        return "no allowance for the bends themselves: state the thickness as sheet_mm under [mirror] in rig.toml"
    return (
        f"bend allowance of {sheet.stock.thickness_mm:g} mm sheet is in the pattern: inside radius "
        f"{sheet.stock.fold_radius_mm:g} mm, neutral axis at {sheet.stock.k_factor:g} of the thickness (k_factor)"
    )


def _curve_words(curve: Curve) -> str:
    shape = "hollow" if curve.radius_mm > 0 else "bulging"
    radii = f"radius {abs(curve.radius_mm):.1f} mm (design {abs(curve.design_radius_mm):.1f} mm)"
    return f"panel {curve.zone}: {shape} towards the light, {radii}"


def drawn_sheet(sheet: FlatSheet, name: str) -> WorkshopDrawing:
    """The pattern with its arrows, templates, a bar of 100 mm, and what to do in words."""
    strokes = [Stroke(layer=SCORE, points_mm=fold.ends_mm) for fold in sheet.folds]
    labels: list[Label] = []
    for piece in sheet.pieces:
        rim = [edge for edge, folded in zip(piece.edges_mm, piece.folded, strict=True) if not folded]
        strokes += [Stroke(layer=CUT, points_mm=edge) for edge in rim]
        marks, letters = _marks(piece)
        strokes, labels = strokes + marks, labels + letters
    left, below = (float(v) for v in np.concatenate([piece.points_mm for piece in sheet.pieces]).min(axis=0))
    for curve in sheet.curves:
        card = _template(curve)
        below -= float(np.ptp(card[:, 1])) + 2.0 * _LINE_MM
        strokes.append(Stroke(layer=CUT, points_mm=card + np.array([left, below]) - card.min(axis=0)))
        below -= _LINE_MM
        words = f"template of panel {curve.zone}: hold its curve against the reflecting side, across the bend's axis"
        labels.append(Label(at_mm=(left, below), words=words))
    below -= 2.0 * _LINE_MM
    strokes += _bar(left, below)
    labels.append(Label(at_mm=(left + _BAR_MM + 3.0, below - 1.5), words="100 mm: measure it"))
    *bends, allowance = _sentences(sheet)
    cut = "black: cut; dashed: score, the middle of the bend" if sheet.folds else "black: cut"
    notes = [f"{name}: sheet mirror, seen from the reflecting side, true size", *bends, cut, allowance]
    labels += [Label(at_mm=(left, below - (k + 2) * _LINE_MM), words=note) for k, note in enumerate(notes)]
    return WorkshopDrawing(title=name, strokes=strokes, labels=labels)


def _marks(piece: Piece) -> tuple[list[Stroke], list[Label]]:
    """A panel's number, and the mirror's x and y on it."""
    middle = piece.points_mm.mean(axis=0)
    labels = [Label(at_mm=(float(middle[0]) - 9.0, float(middle[1]) - 10.0), words=f"panel {piece.zone}")]
    strokes = []
    for axis, letter in ((piece.x_axis, "x"), (piece.y_axis, "y")):
        strokes += _arrow(middle, middle + _ARROW_MM * axis)
        tip = middle + (_ARROW_MM + 2.5) * axis
        labels.append(Label(at_mm=(float(tip[0]) - 1.0, float(tip[1]) - 1.0), words=letter))
    return strokes, labels


def _arrow(start: Array, end: Array) -> list[Stroke]:
    along = (end - start) / np.linalg.norm(end - start)
    across = np.array([-along[1], along[0]])
    head = np.stack([end - 3.0 * along + across, end, end - 3.0 * along - across])
    return [Stroke(layer=NOTE, points_mm=np.stack([start, end])), Stroke(layer=NOTE, points_mm=head)]


def _bar(x_mm: float, y_mm: float) -> list[Stroke]:
    """A line of 100 mm with a tick every 10."""
    ticks = [np.array([[x_mm + k, y_mm - 1.5], [x_mm + k, y_mm + 1.5]]) for k in np.arange(0.0, _BAR_MM + 1.0, 10.0)]
    line = np.array([[x_mm, y_mm], [x_mm + _BAR_MM, y_mm]])
    return [Stroke(layer=NOTE, points_mm=points) for points in (line, *ticks)]


def _template(curve: Curve) -> Array:
    """(N, 2) rim of a card whose lower edge is the curve, the light above it."""
    radius = curve.radius_mm
    x = np.linspace(-curve.chord_mm / 2.0, curve.chord_mm / 2.0, 121)
    y = radius - np.sign(radius) * np.sqrt(radius**2 - x**2)
    top = float(y.max()) + _CARD_MM
    return np.concatenate([np.stack([x, y], axis=-1), [[x[-1], top], [x[0], top], [x[0], y[0]]]])
