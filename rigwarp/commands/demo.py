"""`rigwarp demo`: the whole job on a virtual rig, judged against what was really built."""

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rigwarp.as_built import AsBuilt, align_built, remove_rigid
from rigwarp.commands.calibrate import Calibrated, calibrate_rig
from rigwarp.commands.camera import calibrate_camera
from rigwarp.commands.console import Console
from rigwarp.commands.design import design_model, trace_design
from rigwarp.commands.fit import as_built_figures, camera_of
from rigwarp.commands.options import JsonOption
from rigwarp.commands.scan_runs import scan_seconds
from rigwarp.commands.trace import draw_design
from rigwarp.commands.verify import error_figures, require_tolerance
from rigwarp.devices import Bench, open_virtual
from rigwarp.files import RigFolder, open_rig, write_bytes, write_picture
from rigwarp.files.names import DESIGN_PICTURES, PICTURES
from rigwarp.geometry import Array, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.reports import judge_coverage
from rigwarp.reports.figures.mirror import deviation_map
from rigwarp.reports.figures.photos import photo_pair
from rigwarp.reports.figures.residuals import Residuals, residual_pair
from rigwarp.rig import Rig, inside_content
from rigwarp.scenarios import create_rig
from rigwarp.simulation import VirtualRig
from rigwarp.verification import VerificationResult

_PARENT = Path("rigwarp-demo")
_BOARD_PHOTOS = 14


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What was measured against what was built; only a virtual rig can tell."""

    table_map: dict[str, Any]
    figure_residual_um: float | None


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
    root = directory or _new_folder(scenario)
    create_rig(scenario, root)
    folder = open_rig(root)
    console.say(f"{folder.rig.name}: a virtual rig in {root}\n")
    trace_s = _trace(console, folder)
    virtual = open_virtual(folder)
    _calibrate_camera(console, folder, virtual)
    with console.stage(100, "Building the virtual light path") as advance:
        _prepare(virtual, advance)
    bench = Bench(display=virtual.display, camera=virtual.camera)
    clock = time.monotonic()
    made = calibrate_rig(console, folder, bench)
    seconds = _seconds(made, trace_s, total=time.monotonic() - start, calibration_s=time.monotonic() - clock)
    judged = _judge(folder, made, virtual)
    pictures = _draw(folder, made)
    _print(console, made, judged, pictures)
    console.result(_result(root, made, judged, pictures, seconds))
    require_tolerance(folder, made.checks["after"].result)


def _new_folder(scenario: str) -> Path:
    """A folder name that is free, so that the demo can be run again."""
    for number in range(1, 1000):
        root = _PARENT / (scenario if number == 1 else f"{scenario}-{number}")
        if not root.exists():
            return root
    return _PARENT / scenario


def _trace(console: Console, folder: RigFolder) -> float:
    start = time.monotonic()
    model = design_model(folder)
    design = trace_design(folder, model)
    seconds = time.monotonic() - start
    console.say("The design")
    console.table(judge_coverage(design, folder.rig).rows())
    draw_design(folder, design)
    return seconds


def _calibrate_camera(console: Console, folder: RigFolder, virtual: VirtualRig) -> None:
    """Virtual photos of the board into the rig folder, and camera.json from them as from any other photos."""
    photos = folder.root / "photos"
    (photos / "lens").mkdir(parents=True)
    with console.stage(_BOARD_PHOTOS + 1, "Photographing the board") as advance:
        for number, photo in enumerate(virtual.board_photos(_BOARD_PHOTOS)):
            write_picture(photos / "lens" / f"{number:02d}.png", photo)
            advance()
        write_picture(photos / "table.png", virtual.table_sheet_photo())
        advance()
    calibrate_camera(console, folder, lens=photos / "lens", table=photos / "table.png")


def _prepare(virtual: VirtualRig, advance: Any) -> None:
    done = 0

    def progress(share: float) -> None:
        nonlocal done
        advance(int(100 * share) - done)
        done = int(100 * share)

    virtual.prepare(progress=progress)


def _judge(folder: RigFolder, made: Calibrated, virtual: VirtualRig) -> Judged:
    return Judged(
        table_map=map_against_truth(folder.rig, made.fit.table_map.table_map, virtual.true_map()),
        figure_residual_um=_figure_residual_um(folder, made.fit.as_built, virtual),
    )


def map_against_truth(rig: Rig, table_map: PixelMap, truth: PixelMap) -> dict[str, Any]:
    """The measured map against the true one, on the pixels whose light lands on the content area."""
    wanted = truth.answered
    wanted[wanted] = inside_content(rig.content, truth.table_mm[wanted])
    both = wanted & table_map.measured
    error = np.linalg.norm(table_map.table_mm[both] - truth.table_mm[both], axis=-1)
    return {
        "n": int(both.sum()),
        "rms_mm": float(np.sqrt(np.mean(error**2))),
        "p95_mm": float(np.percentile(error, 95)),
        "max_mm": float(error.max()),
        "coverage": float(both.sum() / wanted.sum()),
    }


def _figure_residual_um(folder: RigFolder, built: AsBuilt | None, virtual: VirtualRig) -> float | None:
    """Estimated minus true figure, rms, both aligned rigidly to the design over the places where both are known."""
    if built is None:
        return None
    x, y = np.meshgrid(built.x_mm, built.y_mm)
    zone = np.where(np.isfinite(built.height_um), built.zone, NO_LIGHT)
    for number in np.unique(zone[zone != NO_LIGHT]):
        here = zone == number
        there = np.isfinite(virtual.true_figure_mm(x[here], y[here], zone=int(number)))
        zone[here] = np.where(there, number, NO_LIGHT)
    model = design_model(folder)

    def true_mm(x_mm: Array, y_mm: Array, number: int) -> Array:
        return virtual.true_figure_mm(x_mm, y_mm, zone=number)

    aligned_mm = align_built(true_mm, built.x_mm, built.y_mm, zone, model)
    estimate_um = np.where(np.isfinite(aligned_mm), built.height_um, np.nan)
    estimate_um = remove_rigid(estimate_um, built.x_mm, built.y_mm, model)
    # the truth is along mirror z, the estimate + towards the reflecting side
    return float(np.sqrt(np.nanmean((estimate_um - 1000.0 * built.reflecting_side * aligned_mm) ** 2)))


def _draw(folder: RigFolder, made: Calibrated) -> dict[str, Path]:
    target = made.fit.run / PICTURES
    before, after = made.checks["before"], made.checks["after"]
    drawn = {
        "before_after.png": photo_pair(before.photo, after.photo, camera_of(folder), folder.rig),
        "residuals.png": residual_pair(_residuals(before.result), _residuals(after.result), folder.rig),
    }
    shown = {
        "the design's light on the table": folder.root / DESIGN_PICTURES / "pixel_grid.png",
        "before and after, photographed": target / "before_after.png",
        "what is left, as arrows": target / "residuals.png",
    }
    built = made.fit.as_built
    if built is not None:
        drawn["deviation.png"] = deviation_map(built.x_mm, built.y_mm, built.height_um, built.height_sigma_um)
        shown["built mirror minus design"] = target / "deviation.png"
    for name, data in drawn.items():
        write_bytes(target / name, data, replace=True)
    return shown


def _residuals(result: VerificationResult) -> Residuals:
    return Residuals(points_mm=result.table_mm, vectors_mm=result.vectors_mm)


def _seconds(made: Calibrated, trace_s: float, *, total: float, calibration_s: float) -> dict[str, float]:
    parts = {"trace": trace_s, **scan_seconds(made.scans), **made.fit.seconds}
    return {**parts, "verify": calibration_s - sum(parts.values()) + trace_s, "total": total}


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
