"""What a check of the picture on the table found, as verification.json and `--json` have it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.files.names import VERIFICATION_FILE
from rigwarp.files.records import DotsRecord, MapFigures, NineRecord, PatchRecord, VerdictRecord, VerificationRecord
from rigwarp.files.records.verification import AffineRecord, SimilarityRecord, StraightnessRecord, UniformityRecord
from rigwarp.geometry import Photo
from rigwarp.verification import ChartModulation, LineFigure, NinePoints, VerificationResult, worst_line
from rigwarp.verification.verdict import Verdict


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


def write_verification(
    result: Path,
    checks: Mapping[str, Checked],
    content: Mapping[str, Any],
    response_shape: float | None,
    verdict: Verdict,
) -> None:
    """Write verification.json, in place of an earlier one; `content`: the correction by hand that was in force."""
    dots: dict[str, Any] = {name: dots_record(check) for name, check in checks.items()}
    VerificationRecord(
        **dots,
        content=content,
        camera_response=np.nan if response_shape is None else response_shape,
        verdict=VerdictRecord.of(verdict),
    ).write(result / VERIFICATION_FILE, replace=True)


def error_figures(result: VerificationResult) -> dict[str, Any]:
    """The figures that `--json` promises, and what else judges the grid."""
    return {**MapFigures.of(result).to_dict(), "missing": len(result.missing), "doubled": len(result.doubled)}


def check_figures(check: Checked) -> dict[str, Any]:
    """What `verify --json` says of one warp: everything but the single dots."""
    whole = dots_record(check)
    single: dict[str, Any] = dict.fromkeys(("unreadable", "points_mm", "vectors_mm", "sigma_mm"))
    return replace(whole, missing=len(check.result.missing), doubled=len(check.result.doubled), **single).to_dict()


def dots_record(check: Checked) -> DotsRecord:
    """One warp's part of verification.json."""
    result, quality = check.result, check.quality
    affine, similarity, left = result.affine, result.similarity, result.after_similarity
    lines: dict[str, list[LineFigure]] = {}
    for line in result.lines:
        lines.setdefault(line.family, []).append(line)
    families = {family: {"lines": len(found), **_worst(found)} for family, found in lines.items()}
    return DotsRecord.of(
        result,
        missing=sorted(result.missing),
        doubled=sorted(result.doubled),
        points_mm=result.table_mm,
        similarity=SimilarityRecord.of(
            similarity,
            rotation_deg=float(np.degrees(similarity.rotation_rad)),
            rms_after_mm=left.rms_mm,
            p95_after_mm=left.p95_mm,
            max_after_mm=left.max_mm,
        ),
        affine=AffineRecord.of(
            affine,
            scale_percent=100.0 * (affine.scale - 1.0),
            anisotropy_percent=100.0 * affine.anisotropy,
            stretch_deg=float(np.degrees(affine.stretch_rad)),
            shear_mrad=1e3 * affine.shear_rad,
            rotation_mrad=1e3 * affine.rotation_rad,
        ),
        straightness=StraightnessRecord(**_worst(result.lines), more=families),
        resolution=None if quality is None else tuple(PatchRecord.of(one) for one in quality.modulations),
        uniformity=None
        if quality is None
        else UniformityRecord(
            before_gain=NineRecord.of(quality.light_before_gain), after_gain=NineRecord.of(quality.light_after_gain)
        ),
    )


def _worst(lines: Sequence[LineFigure]) -> dict[str, Any]:
    worst = worst_line(lines)
    percent = max((line.off_percent for line in lines), default=np.nan)
    return {"worst_mm": worst.off_mm if worst else np.nan, "worst_percent": percent}
