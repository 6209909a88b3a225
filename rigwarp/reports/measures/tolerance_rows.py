"""The forecast of a design in words and rows: what matters, by how much, and whether the export is fine enough."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from rigwarp.tracing import ExportCheck, FaceForm, FaceNote, Sensitivity, ToleranceAnalysis
from rigwarp.tracing.tolerances.sensitivity import Effect, Parameter
from rigwarp.words import number

_FACES = 12
UNIT_SIGNS = {"deg": "°"}
_SHAPE_TERMS = 5  # of the Zernike terms

Row = tuple[str, str, str, str, str, str]
FACES_HEAD = ("face", "what", "light on the model", "near, mirror frame")
FORMS_HEAD = ("zone", "closed form", "numbers", "face about it")
SENSITIVITY_HEAD: Row = ("what", "per", "rms mm", "P95 mm", "left, mm", "at its tolerance")


def shown_effects(found: Sensitivity) -> list[tuple[Parameter, Effect]]:
    """What table and picture show: how parts are mounted, then the Zernike terms that do most at their tolerance."""
    pairs = list(zip(found.parameters, found.effects, strict=True))
    terms = sorted((p for p in pairs if p[0].unit == "µm"), key=lambda p: -p[0].sigma * p[1].rms_mm)
    return [p for p in pairs if p[0].unit != "µm"] + terms[:_SHAPE_TERMS]


def at_tolerance(parameter: Parameter) -> str:
    """Its 1-sigma and unit."""
    return f"{number(parameter.sigma, 2)} {UNIT_SIGNS.get(parameter.unit, parameter.unit)}"


def sensitivity_rows(found: Sensitivity) -> list[Row]:
    """Parameter, unit, mm on the table per unit (rms, P95, rms left by the best similarity), and mm at its tolerance.

    Of what `shown_effects` names, which the picture has, too.
    """
    return [
        (
            f"{parameter.part} {parameter.name}",
            UNIT_SIGNS.get(parameter.unit, parameter.unit),
            _short(effect.rms_mm),
            _short(effect.p95_mm),
            _short(effect.rms_similar_mm),
            f"±{at_tolerance(parameter)}: {_short(parameter.sigma * effect.rms_mm)} mm" if parameter.sigma else "",
        )
        for parameter, effect in shown_effects(found)
    ]


def sensitivity_facts(found: Sensitivity) -> list[dict[str, Any]]:
    """Every parameter as data."""
    return [
        {
            "part": parameter.part,
            "name": parameter.name,
            "unit": parameter.unit,
            "tolerance": parameter.sigma,
            "rms_mm_per_unit": effect.rms_mm,
            "p95_mm_per_unit": effect.p95_mm,
            "rms_mm_per_unit_after_similarity": effect.rms_similar_mm,
            "p95_mm_per_unit_after_similarity": effect.p95_similar_mm,
        }
        for parameter, effect in zip(found.parameters, found.effects, strict=True)
    ]


def cause_rows(expected: ToleranceAnalysis) -> list[tuple[str, str, str, str]]:
    """Cause, what it alone brings, its share, and its share of what a similarity leaves."""
    return [
        (
            c.name,
            f"{number(c.rms_mm, 2)} mm rms",
            f"{100 * c.share:.0f} %",
            f"{100 * c.share_similar:.0f} % of the rest",
        )
        for c in expected.causes
    ]


def export_rows(check: ExportCheck) -> list[tuple[str, str]]:
    """What it is and how much, per zone and on the table."""
    rows = []
    for zone in check.zones:
        t = zone.tessellation
        most = f"95 % below {number(t.edge_p95_mm, 2)} mm"
        edges = f"{t.triangles} triangles, edges {number(t.edge_median_mm, 2)} mm ({most})"
        rows.append((f"export, zone {zone.zone}", f"{edges}, vertices within {_short(1000 * t.noise_mm)} µm rms"))
    uncertain = f"{_short(check.table_rms_mm)} mm rms, P95 {_short(check.table_p95_mm)} mm"
    verdict = "fine enough" if check.fine_enough else "too coarse"
    return [
        *rows,
        ("  leaves the spots uncertain by", f"{uncertain}: {verdict} (limit {number(check.limit_mm, 2)} mm)"),
    ]


def face_rows(faces: Sequence[FaceNote]) -> list[tuple[str, str, str, str]]:
    """Number, name, light and place of the faces of a CAD model that light meets, strays together after the tenth."""
    rows = [
        (
            str(face.number),
            face.name + (", stray light" if face.stray else ""),
            f"{100 * face.light:.2f} %",
            "({:.1f}, {:.1f}, {:.1f}) mm".format(*face.middle_mm),
        )
        for face in faces
    ]
    if len(rows) > _FACES:
        rest = 100 * sum(face.light for face in faces[_FACES:])
        rows = [*rows[:_FACES], ("...", f"{len(faces) - _FACES} more", f"{rest:.2f} %", "")]
    return rows


def form_rows(forms: Sequence[FaceForm]) -> list[tuple[str, str, str, str]]:
    """Zone, closed form, radius and conic constant, and the residual of each face."""
    return [
        (
            str(form.zone),
            form.kind,
            ", ".join(
                f"{name} = {value:.7g}{unit}"
                for name, value, unit in (("R", form.radius_mm, " mm"), ("k", form.conic_constant, ""))
                if np.isfinite(value)
            ),
            f"{number(1000 * form.residual_rms_mm, 2)} µm rms",
        )
        for form in forms
    ]


def _short(value: float) -> str:
    """A few digits; what is too small to matter as 0 or a bound."""
    if abs(value) < 1e-9:
        return "0"
    return "<0.001" if abs(value) < 1e-3 else number(value)
