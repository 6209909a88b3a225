"""What a refinement says: as data, and in words."""

from typing import Any

from rigwarp.commands.console import Console
from rigwarp.files.records import MapFigures
from rigwarp.jobs.checks.refine import Refined
from rigwarp.reports.wording import quantity
from rigwarp.verification import VerificationResult


def refined_record(done: Refined) -> dict[str, Any]:
    """What `--json` says of a refinement."""
    shape = done.shape
    return {
        "tried": done.tried,
        "kept": done.kept,
        "why": done.why,
        "table": None
        if shape is None
        else {
            "flat": not shape.significant,
            "bow_mm": shape.bow_mm,
            "shift_rms_mm": shape.rms_mm,
            "corners_off_flat_px": shape.flat_px,
            "corners_off_px": shape.left_px,
            "chi_squared": shape.gained,
        },
        "residual_field": {
            "significant": done.field.significant,
            "rms_mm": done.field.rms_mm,
            "reach_mm": done.field.reach_mm,
            "noise_mm": done.field.noise_mm,
            "evidence": done.field.evidence,
        },
        "before": MapFigures.of(done.before).to_dict(),
        "after": None if done.after is None else MapFigures.of(done.after).to_dict(),
    }


def print_refined(console: Console, done: Refined) -> None:
    """A refinement in words."""
    rows: list[tuple[str, str]] = []
    if done.shape is not None:
        rows.append(
            (
                "the table",
                f"not flat by {quantity(done.shape.bow_mm, 'mm')}: positions shift by "
                f"{quantity(done.shape.rms_mm, 'mm')} rms"
                if done.shape.significant
                else "flat, as far as the sheet's photograph tells",
            )
        )
    if done.field.significant:
        rows.append(("smooth part of the residuals", f"{quantity(done.field.rms_mm, 'mm')} rms"))
    rows.append(("before", _figures(done.before)))
    if done.after is not None:
        rows.append(("after", _figures(done.after)))
    console.say("Refinement")
    console.table(rows)
    console.say(f"{'Kept' if done.kept else 'Nothing changed'}: {done.why}. Current result {done.result}")


def _figures(found: VerificationResult) -> str:
    return f"{quantity(found.rms_mm, 'mm')} rms, {quantity(found.p95_mm, 'mm')} P95"
