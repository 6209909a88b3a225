"""What a check of the picture says, for people."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files.names import BUDGET_FILE
from rigwarp.files.records import BudgetRecord
from rigwarp.jobs.checks.verify import Verified
from rigwarp.jobs.checks.verify_record import Checked, Quality
from rigwarp.reports.wording import quantity
from rigwarp.verification import VerificationResult, worst_line
from rigwarp.verification.verdict import Verdict
from rigwarp.words import number


def print_verified(console: Console, made: Verified) -> None:
    """A check and what it says of the budget, for people."""
    print_verification(console, made.checks)
    print_coverage(console, made.result)
    print_verdict(console, made.verdict)


def print_verdict(console: Console, verdict: Verdict) -> None:
    """What keeps a result from being right, or sure, for people; what failed comes at the end as the error."""
    console.say(f"Verdict: {verdict.state}")
    for sentence in verdict.not_proven:
        console.say(f"  in doubt: {sentence}")


def verdict_record(verdict: Verdict) -> dict[str, Any]:
    """What `--json` says of a verdict."""
    return {"state": verdict.state, **asdict(verdict)}


def print_verification(console: Console, checks: dict[str, Checked]) -> None:
    """The figures for people."""
    console.say("Dots on the table, distance from where they should be")
    names = {"before": "with the design's warp", "after": "with the measured warp"}
    console.table(
        [
            (
                names.get(key, key),
                c.result.n,
                c.result.rms_mm,
                c.result.p95_mm,
                c.result.max_mm,
                c.result.after_similarity.p95_mm,
                len(c.result.missing),
                len(c.result.doubled),
            )
            for key, c in checks.items()
        ],
        head=("", "dots", "rms mm", "P95 mm", "max mm", "P95 less zoom, turn, shift", "missing", "twice"),
    )
    if "after" in checks:
        after = checks["after"]
        _print_shape(console, after.result)
        if after.quality is not None:
            _print_quality(console, after.quality)


def _print_shape(console: Console, result: VerificationResult) -> None:
    affine, worst = result.affine, worst_line(result.lines)
    rows = [
        ("scale", quantity(100.0 * (affine.scale - 1.0), "%")),
        ("one direction longer than the other", quantity(100.0 * affine.anisotropy, "%")),
        (
            "shear, rotation",
            f"{quantity(1e3 * affine.shear_rad, 'mrad')}, {quantity(1e3 * affine.rotation_rad, 'mrad')}",
        ),
    ]
    if worst is not None:
        rows.append(
            (
                "least straight line",
                f"{quantity(worst.off_mm, 'mm')} in {worst.length_mm:.0f} mm ({quantity(worst.off_percent, '%')})",
            )
        )
    console.table(rows)


def _print_quality(console: Console, quality: Quality) -> None:
    before, after = quality.light_before_gain, quality.light_after_gain
    console.say("Measured light at nine points, least over largest")
    console.table(
        [
            (label, number(nine.uniformity, 2), number(nine.corner_to_centre, 2))
            for label, nine in (("as the light falls", before), ("evened out", after))
        ],
        head=("", "uniformity", "corners over middle"),
    )
    console.say("Modulation of fine lines on the table (line pairs per mm; mean of the patches)")
    densities = sorted({one.lines_per_mm for one in quality.modulations})
    console.table(
        [
            (
                f"{place}, light changing {direction} the content's width"
                if direction == "across"
                else f"{place}, light changing along its height",
                *(_mean_modulation(quality, place, direction, density) for density in densities),
            )
            for place in ("centre", "rim")
            for direction in ("across", "along")
        ],
        head=("", *(f"{density:g}" for density in densities)),
    )


def _mean_modulation(quality: Quality, place: str, direction: str, density: float) -> str:
    values = [
        one.modulation
        for one in quality.modulations
        if (one.place, one.direction, one.lines_per_mm) == (place, direction, density) and np.isfinite(one.modulation)
    ]
    return number(float(np.mean(values)), 2) if values else "-"


def print_coverage(console: Console, result: Path) -> None:
    """What the check grid says of the budget, in a line; nothing for results without one."""
    path = result / BUDGET_FILE
    found = BudgetRecord.read(path).check_grid if path.is_file() else None
    if found is not None and found.inside is not None and found.inside_predicted is not None:
        console.say(
            f"Of the dots' residuals {100 * found.inside:.1f} % lie inside the budget's repeatable part (k = 2); "
            f"inside what the scan alone predicts, {100 * found.inside_predicted:.1f} %"
        )
