"""verification.json: what a check of the picture on the table found.

`before` (the design's warp; only where it was measured) and `after` (the result's own warp) hold:

    n, rms_mm, p95_mm, max_mm     distances of the dots from where they should be, nothing fitted
    missing, doubled, unreadable  ids of dots not seen / seen twice; count of lights that belong to no dot
    points_mm, vectors_mm         [x, y] per dot seen: where it should be; seen minus that
    sigma_mm                      per dot: 1-sigma per axis from photo noise alone
    similarity                    best zoom, turn, shift: scale, rotation_deg, shift_mm; what it leaves: rms_after_mm,
                                  p95_after_mm, max_after_mm
    affine                        scale_percent (off the right size), anisotropy_percent (larger over smaller stretch),
                                  stretch_deg (direction of the larger), shear_mrad, rotation_mrad, shift_mm
    straightness                  worst_mm, worst_percent (of its length), and per family ("rows", "columns",
                                  "diagonals up", "diagonals down") lines, worst_mm, worst_percent

`after` also has, from check pictures of their own:

    resolution                    list of {place: "centre" | "rim", at_mm, lines_per_mm (line pairs per mm), direction:
                                  "across" | "along", modulation, camera_px_per_mm, camera_limit}; modulation null
                                  where it could not be judged; nothing is corrected for the camera
    uniformity                    before_gain and after_gain: points_mm (9), light (9, brightest = 1), uniformity (least
                                  over largest), corner_to_centre

`content` says what the targets were: revision and values of the correction by hand that was in force (adjust.json), and
how many dots it left out; the dots are wanted where the corrected content puts them. `camera_response` is the shape of
the camera's response that light was judged by (null: taken for sRGB). `verdict` is that of the
dots: state, failures, not_proven. Missing numbers are null.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.files import write_json
from rigwarp.files.names import VERIFICATION_FILE
from rigwarp.geometry import Photo
from rigwarp.prewarp import Adjustment
from rigwarp.verification import ChartModulation, LineFigure, NinePoints, VerificationResult, worst_line
from rigwarp.verification.verdict import Verdict

VERIFICATION_FORMAT = "rigwarp verification"


@dataclass(frozen=True, kw_only=True)
class Quality:
    """What the pictures beside the dots say: sharpness and evenness of the light."""

    modulations: tuple[ChartModulation, ...]
    light_before_gain: NinePoints
    light_after_gain: NinePoints


@dataclass(frozen=True, kw_only=True)
class Checked:
    """The dots through one warp, and the photograph of all of them; `quality` where that was asked for."""

    result: VerificationResult
    photo: Photo
    quality: Quality | None = None


@dataclass(frozen=True, kw_only=True)
class ContentShown:
    """Under which correction by hand the content was checked; `left_out` dots were off the light or masked by it."""

    adjustment: Adjustment
    revision: int
    left_out: int


def write_verification(
    result: Path, checks: dict[str, Checked], shown: ContentShown, response_shape: float | None, verdict: Verdict
) -> None:
    """Write verification.json, in place of an earlier one."""
    record: dict[str, Any] = {name: _record(check) for name, check in checks.items()}
    record["content"] = {
        "revision": shown.revision,
        "adjustment": asdict(shown.adjustment),
        "dots_left_out": shown.left_out,
    }
    record["camera_response"] = response_shape
    record["verdict"] = {**asdict(verdict), "state": verdict.state}
    write_json(result / VERIFICATION_FILE, record, format=VERIFICATION_FORMAT, replace=True)


def error_figures(result: VerificationResult) -> dict[str, Any]:
    """The figures that `--json` promises, and what else judges the grid."""
    return {
        "n": result.n,
        "rms_mm": result.rms_mm,
        "p95_mm": result.p95_mm,
        "max_mm": result.max_mm,
        "missing": len(result.missing),
        "doubled": len(result.doubled),
    }


def check_figures(check: Checked) -> dict[str, Any]:
    """What `verify --json` says of one warp: everything but the single dots."""
    figures = {**error_figures(check.result), **_shape_record(check.result)}
    return figures if check.quality is None else {**figures, **_quality_record(check.quality)}


def _record(check: Checked) -> dict[str, Any]:
    result = check.result
    return {
        **check_figures(check),
        "missing": sorted(result.missing),
        "doubled": sorted(result.doubled),
        "unreadable": result.unreadable,
        "points_mm": result.table_mm,
        "vectors_mm": result.vectors_mm,
        "sigma_mm": result.sigma_mm,
    }


def _shape_record(result: VerificationResult) -> dict[str, Any]:
    affine, left = result.affine, result.after_similarity
    return {
        "similarity": {
            "scale": result.similarity.scale,
            "rotation_deg": float(np.degrees(result.similarity.rotation_rad)),
            "shift_mm": result.similarity.shift_mm,
            "rms_after_mm": left.rms_mm,
            "p95_after_mm": left.p95_mm,
            "max_after_mm": left.max_mm,
        },
        "affine": {
            "scale_percent": 100.0 * (affine.scale - 1.0),
            "anisotropy_percent": 100.0 * affine.anisotropy,
            "stretch_deg": float(np.degrees(affine.stretch_rad)),
            "shear_mrad": 1e3 * affine.shear_rad,
            "rotation_mrad": 1e3 * affine.rotation_rad,
            "shift_mm": affine.shift_mm,
        },
        "straightness": {
            **_worst(result.lines),
            **{family: {"lines": len(lines), **_worst(lines)} for family, lines in _by_family(result.lines).items()},
        },
    }


def _by_family(lines: Sequence[LineFigure]) -> dict[str, list[LineFigure]]:
    return {family: [line for line in lines if line.family == family] for family in {line.family: 0 for line in lines}}


def _worst(lines: Sequence[LineFigure]) -> dict[str, float | None]:
    worst = worst_line(lines)
    percent = max((line.off_percent for line in lines), default=None)
    return {"worst_mm": worst.off_mm if worst else None, "worst_percent": percent}


def _quality_record(quality: Quality) -> dict[str, Any]:
    return {
        "resolution": [asdict(one) for one in quality.modulations],
        "uniformity": {
            "before_gain": asdict(quality.light_before_gain),
            "after_gain": asdict(quality.light_after_gain),
        },
    }
