"""`rigwarp demo`: the whole job on a virtual rig, judged against what was really built."""

import time
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from rigwarp.commands.camera_text import print_camera
from rigwarp.commands.console import Console
from rigwarp.commands.fit_text import as_built_figures, print_fit
from rigwarp.commands.options import JsonOption
from rigwarp.commands.scan_text import print_scan
from rigwarp.commands.verify_text import print_verified
from rigwarp.devices import Bench, open_virtual
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.camera import calibrate_camera
from rigwarp.jobs.calibrate import Calibrated, Steps, calibrate_rig
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.checks.verify_record import error_figures
from rigwarp.jobs.demo import (
    Judged,
    build_light_path,
    draw_calibration,
    free_folder,
    judge_by_truth,
    photograph_board,
    stage_seconds,
)
from rigwarp.jobs.design import design_model, trace_design
from rigwarp.jobs.trace import draw_design
from rigwarp.reports import judge_coverage
from rigwarp.scenarios import create_rig


def demo(
    scenario: Annotated[str, typer.Argument(metavar="[SCENARIO]", help="Which rig.")] = "round-table",
    directory: Annotated[
        Path | None,
        typer.Option("--dir", metavar="DIR", help="The rig folder to make; by default a new one in rigwarp-demo/."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Make a virtual rig and do the whole job on it: trace, camera, scan, fit, prewarp, verify, report.

    The virtual rig is built with the errors of a home-made one; the light in it is computed by a physical model that
    the estimators know nothing about. No projector, camera, screen or GPU is needed.
    """
    start = time.monotonic()
    console = Console(json=json)
    root = directory or free_folder(scenario)
    create_rig(scenario, root)
    folder = open_rig(root)
    console.say(f"{folder.rig.name}: a virtual rig in {root}\n")
    trace_s = _trace(console, folder)
    virtual = open_virtual(folder)
    photos = photograph_board(console, folder, virtual)
    print_camera(console, calibrate_camera(console, folder, lens=photos.lens, table=photos.table))
    build_light_path(console, virtual)
    clock = time.monotonic()
    made = calibrate_rig(
        console,
        folder,
        Bench(display=virtual.display, camera=virtual.camera),
        steps=Steps(
            scanned=partial(print_scan, console),
            fitted=partial(print_fit, console),
            verified=partial(print_verified, console),
        ),
    )
    require_passed(made.fit.verdict)
    seconds = stage_seconds(made, trace_s, total=time.monotonic() - start, calibration_s=time.monotonic() - clock)
    judged = judge_by_truth(folder, made, virtual)
    pictures = draw_calibration(folder, made)
    _print(console, made, judged, pictures)
    console.result(_result(root, made, judged, pictures, seconds))
    require_passed(made.verdict)


def _trace(console: Console, folder: RigFolder) -> float:
    start = time.monotonic()
    model = design_model(folder)
    design = trace_design(folder, model)
    seconds = time.monotonic() - start
    console.say("The design")
    console.table(judge_coverage(design, folder.rig).rows())
    draw_design(folder, design)
    return seconds


def _print(console: Console, made: Calibrated, judged: Judged, pictures: dict[str, Path]) -> None:
    figures = judged.table_map
    console.say("\nAgainst what was really built (only a virtual rig can tell)")
    console.table(
        [
            ("table map", f"{figures['rms_mm']:.3f} mm rms, {figures['p95_mm']:.3f} mm P95"),
            ("content area covered", f"{figures['coverage']:.1%}"),
            ("mirror figure, estimate minus truth", _micrometres(judged.figure_residual_um)),
        ]
    )
    console.say("\nPictures")
    console.table([(what, str(path)) for what, path in pictures.items()])
    console.say(f"\nReport {made.report}")


def _micrometres(rms_um: float | None) -> str:
    return "not told by this scan" if rms_um is None else f"{rms_um:.1f} um rms"


def _result(
    root: Path, made: Calibrated, judged: Judged, pictures: dict[str, Path], seconds: dict[str, float]
) -> dict[str, Any]:
    return {
        "rig": root,
        "table_map": judged.table_map,
        "as_built": {**(as_built_figures(made.fit.as_built) or {}), "residual_rms_um": judged.figure_residual_um},
        "verification": {name: error_figures(check.result) for name, check in made.checks.items()},
        "seconds": seconds,
        "pictures": {path.name: path for path in pictures.values()},
        "report": made.report,
    }
