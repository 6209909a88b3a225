"""`rigwarp verify`: a grid of dots through the warp, photographed, compared with where it should be."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rigwarp.camera import CameraModel
from rigwarp.capture import photograph
from rigwarp.commands.console import Console
from rigwarp.commands.design import design_prewarp
from rigwarp.commands.fit import PREWARP_FILE, camera_of
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.devices import Bench, Photo, open_bench
from rigwarp.errors import ToleranceError
from rigwarp.files import RigFolder, current_result, open_rig, read_prewarp, write_json, write_picture
from rigwarp.live import CpuRenderer
from rigwarp.prewarp import Prewarp
from rigwarp.verification import VerificationResult, dot_pictures, judge_dots, locate_dots, plan_dots

VERIFICATION_FILE = "verification.json"
PICTURES = "pictures"
_ALL_DOTS = 1  # index of the picture that shows every dot


@dataclass(frozen=True, kw_only=True)
class Checked:
    """The dots through one warp, and the photograph of all of them."""

    result: VerificationResult
    photo: Photo


def verify(
    rig: RigArgument,
    before: Annotated[
        bool, typer.Option("--before/--no-before", help="Also measure what the design's warp would give.")
    ] = True,
    json: JsonOption = False,
) -> None:
    """Show a grid of dots through the current warp, photograph it, and measure how far each dot is off.

    The dots blink in a code of their own, so each is known wherever it lands. Nothing of the structured light is used.
    Exit code 6 when the picture is out of the rig's own tolerance.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    result = current_result(folder.root)
    console.caution()
    with open_bench(folder) as bench:
        checks = verify_result(console, folder, result, bench, before=before)
    tell_verification(console, checks)
    console.result({"result": result, "verification": {k: error_figures(c.result) for k, c in checks.items()}})
    require_tolerance(folder, checks["after"].result)


def verify_result(
    console: Console, folder: RigFolder, result: Path, bench: Bench, *, before: bool = True
) -> dict[str, Checked]:
    """Measure a result's warp (and the design's); writes verification.json and the photographs beside it."""
    camera = camera_of(folder)
    warps = {"after": read_prewarp(result / PREWARP_FILE)}
    if before:
        warps = {"before": design_prewarp(folder), **warps}
    checks = {name: check_dots(console, folder, warp, bench, camera) for name, warp in warps.items()}
    (result / PICTURES).mkdir(exist_ok=True)
    for name, check in checks.items():
        write_picture(result / PICTURES / f"check_{name}.png", check.photo, replace=True)
    record = {name: _record(check.result) for name, check in checks.items()}
    write_json(result / VERIFICATION_FILE, record, format="rigwarp verification", replace=True)
    return checks


def check_dots(console: Console, folder: RigFolder, warp: Prewarp, bench: Bench, camera: CameraModel) -> Checked:
    """Show the dots through a warp and measure them."""
    plan = plan_dots(folder.rig.content)
    renderer = CpuRenderer(warp)
    pictures = dot_pictures(plan)
    with console.progress(len(pictures), "Verifying") as advance:
        photos = list(photograph(bench, map(renderer.render, pictures), advance=advance))
    found = locate_dots(photos, plan, camera, folder.rig.table.height_mm)
    return Checked(result=judge_dots(found, plan), photo=photos[_ALL_DOTS])


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


def tell_verification(console: Console, checks: dict[str, Checked]) -> None:
    """The residuals for people."""
    console.say("Dots on the table, distance from where they should be")
    names = {"before": "with the design's warp", "after": "with the measured warp"}
    console.table(
        [
            (names[key], c.result.n, c.result.rms_mm, c.result.p95_mm, c.result.max_mm, len(c.result.missing))
            for key, c in checks.items()
        ],
        head=("", "dots", "rms mm", "P95 mm", "max mm", "missing"),
    )


def require_tolerance(folder: RigFolder, result: VerificationResult) -> None:
    """Raise ToleranceError when the picture is worse than rig.toml allows."""
    allowed = folder.rig.tolerance.content_p95_mm
    if result.p95_mm > allowed:
        raise ToleranceError(
            f"the picture is off by {result.p95_mm:.2f} mm (P95), tolerance.content_p95_mm allows {allowed:g}: "
            "check that nothing has moved since the camera was calibrated, and calibrate again"
        )


def _record(result: VerificationResult) -> dict[str, Any]:
    return {
        **error_figures(result),
        "missing": sorted(result.missing),
        "doubled": sorted(result.doubled),
        "similarity": {
            "scale": result.similarity.scale,
            "rotation_deg": float(np.degrees(result.similarity.rotation_rad)),
            "shift_mm": result.similarity.shift_mm,
            "rms_after_mm": result.after_similarity.rms_mm,
            "p95_after_mm": result.after_similarity.p95_mm,
        },
        "points_mm": result.table_mm,
        "vectors_mm": result.vectors_mm,
    }
