"""Report chapter on the verification: check dots on the table, before and after."""

from typing import Any

import numpy as np

from rigwarp.geometry import Array
from rigwarp.reports.figures.photos import photo_pair
from rigwarp.reports.figures.residuals import Residuals, residual_pair
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.sections.verdicts import after_figures, before_figures
from rigwarp.reports.wording import as_number, number, quantity

_GAUSSIAN_P95_OVER_RMS = 1.73  # of the lengths of isotropic Gaussian vectors


def check_section(parts: ResultParts) -> Section:
    """The chapter that rests on verification.json and the photographs."""
    before, after = before_figures(parts), after_figures(parts)
    missing = []
    if not before and not after:
        missing.append(
            f"Verification: {parts.missing.get('verification', 'no figures in verification.json')}. "
            "Measure it with: rigwarp verify"
        )
    elif not before:
        missing.append("The design's warp was not measured.")
    elif not after:
        missing.append("The measured warp was not verified.")
    pictures = []
    if before or after:
        pictures.append(_residual_picture(parts, before, after))
    if parts.photo_before is not None or parts.photo_after is not None:
        pictures.append(_photo_picture(parts))
    missing += [
        f"Photograph through the {warp} warp: {parts.missing[f'photograph {when}']}."
        for when, warp in (("before", "design's"), ("after", "measured"))
        if f"photograph {when}" in parts.missing
    ]
    return Section(
        anchor="check",
        title="Verification on the table",
        paragraphs=[
            "A grid of dots was shown through the warp, photographed, and each dot compared with its place on the "
            "table. "
            "The dots share nothing with the scan that the map was made from, but they are seen by the same camera: an "
            "error of the camera calibration is in both."
        ],
        tables=_tables(before, after),
        pictures=pictures,
        missing=missing,
    )


def _tables(before: dict[str, Any], after: dict[str, Any]) -> list[Rows]:
    """Residuals, and what the check pictures beside the dots say of the measured warp."""
    tables = [_figures_table(before, after)] if before or after else []
    return [*tables, *(table for table in (_resolution_table(after), _light_table(after)) if table is not None)]


def _figures_table(before: dict[str, Any], after: dict[str, Any]) -> Rows:
    rows: list[tuple[str, str, str]] = []

    def add(label: str, say: Any) -> None:
        rows.append((label, say(before) if before else "not measured", say(after) if after else "not measured"))

    add("dots", lambda found: number(found.get("n")))
    add("rms", lambda found: quantity(found.get("rms_mm"), "mm"))
    add("95 % within (P95)", lambda found: quantity(found.get("p95_mm"), "mm"))
    add("largest", lambda found: quantity(found.get("max_mm"), "mm"))
    add("P95 / rms", lambda found: number(as_number(found.get("p95_mm")) / (as_number(found.get("rms_mm")) or np.nan)))
    add("missing dots", lambda found: _count(found.get("missing")))
    add("dots seen twice", lambda found: _count(found.get("doubled")))
    for label, key, unit in _SIMILARITY:
        if any(key in _similarity(found) for found in (before, after)):
            add(label, lambda found, key=key, unit=unit: _similarity_value(found, key, unit))
    for label, part, key, unit in _SHAPE:
        if any(key in _part(found, part) for found in (before, after)):
            add(
                label,
                lambda found, part=part, key=key, unit=unit: quantity(as_number(_part(found, part).get(key)), unit),
            )
    return Rows(
        rows=rows,
        head=("Distance of the dots from their place", "design's warp", "measured warp"),
        note=f"P95 / rms is {_GAUSSIAN_P95_OVER_RMS} for plain noise; more means structure or outliers. "
        "Best zoom, turn and shift are those that would fit best. Scale, stretch, shear and turn come from the affine "
        "map that fits best; straightness is the largest distance of a dot from the least-squares line of its row, "
        "column or diagonal.",
    )


_SIMILARITY = (
    ("best zoom, off 1 by", "scale", "%"),
    ("best turn", "rotation_deg", "°"),
    ("best shift (x, y)", "shift_mm", "mm"),
    ("rms left after these", "rms_after_mm", "mm"),
    ("P95 left after these", "p95_after_mm", "mm"),
)


_SHAPE = (
    ("scale, off the right size", "affine", "scale_percent", "%"),
    ("one direction longer than the other", "affine", "anisotropy_percent", "%"),
    ("shear", "affine", "shear_mrad", "mrad"),
    ("rotation", "affine", "rotation_mrad", "mrad"),
    ("least straight line, off by", "straightness", "worst_mm", "mm"),
    ("least straight line, of its length", "straightness", "worst_percent", "%"),
)


def _part(found: dict[str, Any], name: str) -> dict[str, Any]:
    value = found.get(name)
    return value if isinstance(value, dict) else {}


def _resolution_table(after: dict[str, Any]) -> Rows | None:
    """Modulation of the line patches, the mean per place, direction and density."""
    patches = [one for one in after.get("resolution") or [] if isinstance(one, dict)]
    densities = sorted({as_number(one.get("lines_per_mm")) for one in patches})
    if not patches or not np.isfinite(densities).all():
        return None
    rows = []
    for place in ("centre", "rim"):
        for direction in ("across", "along"):
            own = [one for one in patches if (one.get("place"), one.get("direction")) == (place, direction)]
            means = [_mean(own, "modulation", density) for density in densities]
            limits = [_mean(own, "camera_limit", density) for density in densities]
            rows.append(
                (
                    f"{place}, light changing {direction}",
                    *(f"{number(m, 2)} ({number(c, 2)})" for m, c in zip(means, limits, strict=True)),
                )
            )
    return Rows(
        rows=rows,
        head=(
            "Modulation of lines through the measured warp",
            *(f"{density:g} line pairs / mm" for density in densities),
        ),
        note="(Imax - Imin) / (Imax + Imin) of sinusoidal lines on the table, as the camera sees them; in brackets "
        "what the size of the camera's pixels alone would leave. Across: along the content's width; along: along its "
        "height.",
    )


def _mean(patches: list[dict[str, Any]], key: str, density: float) -> float:
    values = [as_number(one.get(key)) for one in patches if as_number(one.get("lines_per_mm")) == density]
    known = [value for value in values if np.isfinite(value)]
    return float(np.mean(known)) if known else float("nan")


def _light_table(after: dict[str, Any]) -> Rows | None:
    """Nine-point light before and after the gain."""
    light = _part(after, "uniformity")
    rows = [
        (label, number(as_number(nine.get("uniformity")), 2), number(as_number(nine.get("corner_to_centre")), 2))
        for label, nine in (
            ("as the light falls", _part(light, "before_gain")),
            ("evened out by the warp", _part(light, "after_gain")),
        )
        if nine
    ]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("Light at nine points", "least / largest", "corners / middle"),
        note="Centres of a 3 x 3 division of the content (ISO 11315-1), a white picture less a black one, in linear "
        "light by the camera's measured response. The falloff of the camera's own lens is not taken out.",
    )


def _similarity(found: dict[str, Any]) -> dict[str, Any]:
    value = found.get("similarity")
    return value if isinstance(value, dict) else {}


def _similarity_value(found: dict[str, Any], key: str, unit: str) -> str:
    value = _similarity(found).get(key)
    if key == "scale":
        return quantity(100.0 * (as_number(value) - 1.0), unit, 2)
    if isinstance(value, list):
        return ", ".join(number(as_number(v), 2) for v in value) + f" {unit}"
    return quantity(as_number(value), unit, 2)


def _count(listed: Any) -> str:
    return str(len(listed)) if isinstance(listed, list | dict) else number(listed)


def _residual_picture(parts: ResultParts, before: dict[str, Any], after: dict[str, Any]) -> Picture:
    p95 = [number(as_number(found.get("p95_mm"))) for found in (before, after)]
    return Picture(
        png=residual_pair(_residuals(before), _residuals(after), parts.rig),
        alt=f"Arrows on the table from where each dot should be towards where it was found, enlarged. P95 through the "
        f"design's warp {p95[0]} mm, through the measured warp {p95[1]} mm.",
        caption="Residual vectors: each arrow starts where the dot should be and points to where it was found. "
        "The two pictures are enlarged differently; each has its own scale arrow.",
    )


def _residuals(found: dict[str, Any]) -> Residuals | None:
    """The vectors of a verification, or None when it has none that can be drawn."""
    points, vectors = _pairs(found.get("points_mm")), _pairs(found.get("vectors_mm"))
    if points is None or vectors is None or len(points) != len(vectors):
        return None
    return Residuals(points_mm=points, vectors_mm=vectors)


def _pairs(listed: Any) -> Array | None:
    if not isinstance(listed, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in listed):
        return None
    return np.array([[as_number(v) for v in pair] for pair in listed], float).reshape(-1, 2)


def _photo_picture(parts: ResultParts) -> Picture:
    cut = "cut to the table" if parts.camera is not None else "whole, because the camera's calibration is missing"
    return Picture(
        png=photo_pair(parts.photo_before, parts.photo_after, parts.camera, parts.rig),
        alt="Photographs of the check picture on the table through the design's warp and through the measured warp.",
        caption=f"The camera's photographs of the check picture, {cut}, in the camera's own grey values. "
        "Dashed: where the content area's edge should be. The camera looks from an angle, so the shape is seen in "
        "perspective.",
    )
