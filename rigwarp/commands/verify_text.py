"""What a check of the picture says, for people."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.files import RigFolder
from rigwarp.files.names import BUDGET_FILE
from rigwarp.files.records import BudgetRecord, MapFigures
from rigwarp.jobs.checks.drift import QuickCheck, Reregistered
from rigwarp.jobs.checks.refine import Refined
from rigwarp.jobs.checks.verify import Verified
from rigwarp.jobs.checks.verify_record import Checked, Quality
from rigwarp.reports.wording import quantity
from rigwarp.verification import VerificationResult, worst_line
from rigwarp.verification.drift.motion import PartMotion
from rigwarp.verification.verdict import Verdict
from rigwarp.words import number


def print_verified(console: Console, made: Verified) -> None:
    """A check and what it says of the budget, for people; what failed comes at the end as the error."""
    print_verification(console, made.checks)
    print_coverage(console, made.result)
    console.say(f"Verdict: {made.verdict.state}")
    for sentence in made.verdict.not_proven:
        console.say(f"  in doubt: {sentence}")


def verdict_record(verdict: Verdict) -> dict[str, Any]:
    """What `--json` says of a verdict."""
    return {"state": verdict.state, **asdict(verdict)}


def print_verification(console: Console, checks: dict[str, Checked]) -> None:
    """The figures for people."""
    console.say("Dots on the table, distance from where they should be")
    names = {"before": "with the design's warp", "after": "with the measured warp"}
    found = [(names[key], check.result) for key, check in checks.items()]
    console.table(
        [
            (n, r.n, r.rms_mm, r.p95_mm, r.max_mm, r.after_similarity.p95_mm, len(r.missing), len(r.doubled))
            for n, r in found
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
        ("shear, rotation", ", ".join(quantity(1e3 * rad, "mrad") for rad in (affine.shear_rad, affine.rotation_rad))),
    ]
    if worst is not None:
        off, percent = quantity(worst.off_mm, "mm"), quantity(worst.off_percent, "%")
        rows.append(("least straight line", f"{off} in {worst.length_mm:.0f} mm ({percent})"))
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
    ways = {"across": "light changing across the content's width", "along": "light changing along its height"}
    console.table(
        [
            (f"{place}, {words}", *(_mean_modulation(quality, place, way, density) for density in densities))
            for place in ("centre", "rim")
            for way, words in ways.items()
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


def print_drift(console: Console, folder: RigFolder, check: QuickCheck, *, correcting: bool) -> None:
    """A look in words; `correcting`: a re-registration follows by itself where one suffices."""
    judged = check.judged
    console.say("Since the last verification: " + (", ".join(_WORDS[name] for name in judged.findings) or "no change"))
    rows = [("picture, 95 % of the dots within", f"{quantity(judged.picture.p95_mm, 'mm')} of where they should be")]
    if judged.camera.known:
        seen = f"{judged.camera.seen_px:.2f} px away, sigma {judged.camera.sigma_px:.2f} px"
        rows.append(("table in the camera's picture", seen))
    shifted = quantity(judged.light.rms_mm, "mm")
    rows.append(("light on the table", f"{shifted} away, rms of {len(judged.look.ids)} dots"))
    rows += [(f"  if it is the {motion.part}", _motion_words(motion)) for motion in judged.light.motions]
    rows += [
        ("projected light", f"{100 * judged.light_level:.0f} % of what it was"),
        ("room light", f"{100 * judged.room_light:.0f} % of what it was"),
    ]
    console.table(rows)
    advice = {
        "nothing": "Nothing needs to be done about the picture's place",
        "re-register": "A re-registration suffices"
        + ("" if correcting else f": rigwarp verify {folder.root} --quick --reregister"),
        "scan": f"A new scan is due: rigwarp calibrate {folder.root}",
    }
    console.say(f"{advice[judged.advice]} ({judged.why}).")


_WORDS = {
    "camera": "the camera has moved",
    "projector": "the projector has moved",
    "mirror": "the mirror has moved",
    "projector or mirror": "the projector or the mirror has moved; the data do not tell which",
    "projector and mirror": "both the projector and the mirror have moved",
    "camera, projector or mirror": "the camera, the projector or the mirror has moved; the data do not tell which",
    "light level": "the projector's light has changed",
    "camera exposure": "the camera's exposure has changed",
    "room light": "the room light has changed",
}


def _motion_words(motion: PartMotion) -> str:
    """Length and angle of a motion, and its components."""
    parts = []
    for name, unit, values, sigma in (
        ("shifted", " mm", motion.shift_mm, motion.shift_sigma_mm),
        ("turned", "°", np.degrees(motion.turn_rad), np.degrees(motion.turn_sigma_rad)),
    ):
        if np.any(sigma > 0.0):
            size = float(np.linalg.norm(values))
            components = ", ".join(f"{v:+.2f}" for v in values)
            parts.append(f"{name} by {size:.2f}{unit} (x, y, z: {components}; sigma {np.max(sigma):.2f})")
    return ", ".join(parts)


def print_reregistration(console: Console, done: Reregistered) -> None:
    """A re-registration in words."""
    p95 = quantity(done.picture.p95_mm, "mm")
    if not done.kept:
        console.say(f"Re-registered, and no better ({p95} P95): the result before stays current.")
        return
    console.say(f"Re-registered: P95 {p95}. Current result {done.result}")
    if done.camera_kept_aside is not None:
        console.say(
            f"The camera's new place is in camera.json; the one before is kept as {done.camera_kept_aside.name}."
        )


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
        bow, shift = quantity(done.shape.bow_mm, "mm"), quantity(done.shape.rms_mm, "mm")
        flat = "flat, as far as the sheet's photograph tells"
        bowed = f"not flat by {bow}: positions shift by {shift} rms"
        rows.append(("the table", bowed if done.shape.significant else flat))
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
