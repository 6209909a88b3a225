"""Report chapter on the verification: check dots on the table, before and after."""

from collections.abc import Callable
from functools import partial

import numpy as np

from rigwarp.files.records import DotsRecord
from rigwarp.files.records.record import Ids, Number, Numbers
from rigwarp.files.records.verification import UniformityRecord
from rigwarp.reports.figures.photos import photo_pair
from rigwarp.reports.figures.residuals import Residuals, residual_pair
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.wording import as_number, quantity
from rigwarp.words import number

_GAUSSIAN_P95_OVER_RMS = 1.73  # of the lengths of isotropic Gaussian vectors


def check_section(parts: ResultParts) -> Section:
    """The chapter that rests on verification.json and the photographs."""
    before, after = parts.verification.before, parts.verification.after
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
    pictures: list[Picture] = []
    tables: list[Rows | None] = []
    if before or after:
        tables.append(_figures_table(before, after))
        pictures.append(_residual_picture(parts, before, after))
    if after:  # what the check pictures beside the dots say of the measured warp
        tables += [_resolution_table(after), _light_table(after)]
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
            "table. The dots share nothing with the scan that the map was made from, but they are seen by the same "
            "camera: an error of the camera calibration is in both."
        ],
        tables=[table for table in tables if table is not None],
        pictures=pictures,
        missing=missing,
    )


def _figures_table(before: DotsRecord | None, after: DotsRecord | None) -> Rows:
    rows: list[tuple[str, str, str]] = []

    def add(label: str, say: Callable[[DotsRecord], str]) -> None:
        rows.append((label, say(before) if before else "not measured", say(after) if after else "not measured"))

    add("dots", lambda found: number(found.n))
    add("rms", lambda found: quantity(found.rms_mm, "mm"))
    add("95 % within (P95)", lambda found: quantity(found.p95_mm, "mm"))
    add("largest", lambda found: quantity(found.max_mm, "mm"))
    add("P95 / rms", lambda found: number(as_number(found.p95_mm) / (as_number(found.rms_mm) or np.nan)))
    add("missing dots", lambda found: _count(found.missing))
    add("dots seen twice", lambda found: _count(found.doubled))
    for label, part, key, unit in (*_SIMILARITY, *_SHAPE):
        if any(found is not None and _figure(found, part, key) is not None for found in (before, after)):
            add(label, partial(_figure_words, part=part, key=key, unit=unit))
    return Rows(
        rows=rows,
        head=("Distance of the dots from their place", "design's warp", "measured warp"),
        note=f"P95 / rms is {_GAUSSIAN_P95_OVER_RMS} for plain noise; more means structure or outliers. "
        "Best zoom, turn and shift are those that would fit best. Scale, stretch, shear and turn come from the affine "
        "map that fits best; straightness is the largest distance of a dot from the least-squares line of its row, "
        "column or diagonal.",
    )


_SIMILARITY = (
    ("best zoom, off 1 by", "similarity", "scale", "%"),
    ("best turn", "similarity", "rotation_deg", "°"),
    ("best shift (x, y)", "similarity", "shift_mm", "mm"),
    ("rms left after these", "similarity", "rms_after_mm", "mm"),
    ("P95 left after these", "similarity", "p95_after_mm", "mm"),
)


_SHAPE = (
    ("scale, off the right size", "affine", "scale_percent", "%"),
    ("one direction longer than the other", "affine", "anisotropy_percent", "%"),
    ("shear", "affine", "shear_mrad", "mrad"),
    ("rotation", "affine", "rotation_mrad", "mrad"),
    ("least straight line, off by", "straightness", "worst_mm", "mm"),
    ("line least straight for its length", "straightness", "worst_percent", "%"),
)


def _figure(found: DotsRecord, part: str, key: str) -> Number | Numbers:
    """A figure of a part of the record; None where the part or the figure is not in the file."""
    figure: Number | Numbers = getattr(getattr(found, part), key, None)
    return figure


def _figure_words(found: DotsRecord, *, part: str, key: str, unit: str) -> str:
    figure = _figure(found, part, key)
    if isinstance(figure, tuple):
        return ", ".join(number(as_number(one), 2) for one in figure) + f" {unit}"
    if part != "similarity":
        return quantity(as_number(figure), unit)
    return quantity(100.0 * (as_number(figure) - 1.0) if key == "scale" else as_number(figure), unit)


def _resolution_table(after: DotsRecord) -> Rows | None:
    """Modulation of the line patches, the mean per place, direction and density."""
    patches = after.resolution or ()
    densities = sorted({as_number(one.lines_per_mm) for one in patches})
    if not patches or not np.isfinite(densities).all():
        return None
    rows = []
    for place in ("centre", "rim"):
        for direction in ("across", "along"):
            own = [one for one in patches if (one.place, one.direction) == (place, direction)]
            by_density = [[one for one in own if as_number(one.lines_per_mm) == density] for density in densities]
            means = [_mean([one.modulation for one in here]) for here in by_density]
            limits = [_mean([one.camera_limit for one in here]) for here in by_density]
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


def _mean(values: list[Number]) -> float:
    known = [value for value in map(as_number, values) if np.isfinite(value)]
    return float(np.mean(known)) if known else float("nan")


def _light_table(after: DotsRecord) -> Rows | None:
    """Nine-point light before and after the gain."""
    light = after.uniformity or UniformityRecord()
    rows = [
        (label, number(as_number(nine.uniformity), 2), number(as_number(nine.corner_to_centre), 2))
        for label, nine in (
            ("as the light falls", light.before_gain),
            ("evened out by the warp", light.after_gain),
        )
        if nine
    ]
    if not rows:
        return None
    return Rows(
        rows=rows,
        head=("Light at nine points", "least / largest", "corners / middle"),
        note="Measured light: centres of a 3 x 3 division of the content (ISO 11315-1), a white picture less a black "
        "one, in linear light by the camera's measured response. The falloff of the camera's own lens is not "
        "taken out.",
    )


def _count(listed: Ids) -> str:
    return str(len(listed)) if isinstance(listed, tuple) else number(listed)


def _residual_picture(parts: ResultParts, before: DotsRecord | None, after: DotsRecord | None) -> Picture:
    p95 = [number(as_number(found.p95_mm)) if found else "-" for found in (before, after)]
    return Picture(
        png=residual_pair(_residuals(before), _residuals(after), parts.rig),
        alt=f"Arrows on the table from where each dot should be towards where it was found, enlarged. P95 through the "
        f"design's warp {p95[0]} mm, through the measured warp {p95[1]} mm.",
        caption="Residual vectors: each arrow starts where the dot should be and points to where it was found. "
        "The two pictures are enlarged differently; each has its own scale arrow.",
    )


def _residuals(found: DotsRecord | None) -> Residuals | None:
    """The vectors of a verification, or None when it has none that can be drawn."""
    if found is None or found.points_mm is None or found.vectors_mm is None:
        return None
    points, vectors = (np.array(pairs, float).reshape(-1, 2) for pairs in (found.points_mm, found.vectors_mm))
    return Residuals(points_mm=points, vectors_mm=vectors) if len(points) == len(vectors) else None


def _photo_picture(parts: ResultParts) -> Picture:
    cut = "cut to the table" if parts.camera is not None else "whole, because the camera's calibration is missing"
    return Picture(
        png=photo_pair(parts.photo_before, parts.photo_after, parts.camera, parts.rig),
        alt="Photographs of the check picture on the table through the design's warp and through the measured warp.",
        caption=f"The camera's photographs of the check picture, {cut}, in the camera's own grey values. "
        "Dashed: where the content area's edge should be. The camera looks from an angle, so the shape is seen in "
        "perspective.",
    )
