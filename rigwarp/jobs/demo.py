"""The whole job on a virtual rig, from photographs of its board to a judgement by what was really built."""

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.as_built import AsBuilt, align_built, remove_rigid
from rigwarp.devices import Bench, open_virtual
from rigwarp.files import RigFolder, make_folder, read_map, write_bytes, write_picture
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import DESIGN_PICTURES, MAP_FILE, PICTURES
from rigwarp.geometry import Array, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT, zones_lit
from rigwarp.jobs.bench.camera import calibrate_camera
from rigwarp.jobs.bench.camera_live import PhotosTaken
from rigwarp.jobs.bench.camera_record import CameraMade
from rigwarp.jobs.calibrate import Calibrated, Steps, calibrate_rig, untold
from rigwarp.jobs.design import design_model, trace_design
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.scan_runs import scan_seconds
from rigwarp.jobs.trace import draw_design
from rigwarp.reports import judge_coverage
from rigwarp.reports.figures.mirror import OnThePart, deviation_map
from rigwarp.reports.figures.photos import photo_pair
from rigwarp.reports.figures.residuals import Residuals, residual_pair
from rigwarp.reports.measures.coverage import Coverage
from rigwarp.rig import Rig, inside_content
from rigwarp.simulation import VirtualRig
from rigwarp.verification.dots.judge import error_figures

_PARENT = Path("rigwarp-demo")
_BOARD_PHOTOS = 14


@dataclass(frozen=True, kw_only=True)
class DemoSteps(Steps):
    """Who is told of what comes before the scan, too."""

    designed: Callable[[Coverage], None] = untold
    photographed: Callable[[CameraMade], None] = untold


@dataclass(frozen=True, kw_only=True)
class Demonstrated:
    """A demonstration.

    Attributes
    ----------
    made : the calibration.
    table_map, figure_residual_um : map and mirror against what was built, see `map_against_truth`; only a virtual rig
        can tell. None where the scan does not tell the mirror.
    pictures : what each shows -> its file.
    seconds : per stage.
    """

    made: Calibrated
    table_map: dict[str, Any]
    figure_residual_um: float | None
    pictures: dict[str, Path]
    seconds: dict[str, float]


def demonstrate(progress: Progress, folder: RigFolder, steps: DemoSteps) -> Demonstrated:
    """Trace, calibrate the camera, scan, fit, verify and report, all on a virtual rig, and judge what comes of it."""
    start = time.monotonic()
    design = trace_design(folder, design_model(folder))
    trace_s = time.monotonic() - start
    steps.designed(judge_coverage(design, folder.rig))
    draw_design(folder, design)
    virtual = open_virtual(folder)
    photos = photograph_board(progress, folder, virtual)
    steps.photographed(calibrate_camera(progress, folder, lens=photos.lens, table=photos.table))
    build_light_path(progress, virtual)
    clock = time.monotonic()
    made = calibrate_rig(progress, folder, Bench(display=virtual.display, camera=virtual.camera), steps=steps)
    seconds = {"trace": trace_s, **scan_seconds(made.scans), **made.fit.seconds}
    seconds["verify"] = time.monotonic() - clock - sum(seconds.values()) + trace_s  # what is left of the calibration
    seconds["total"] = time.monotonic() - start
    return Demonstrated(
        made=made,
        table_map=map_against_truth(folder.rig, read_map(made.fit.run / MAP_FILE)[0], virtual.true_map()),
        figure_residual_um=_figure_residual_um(folder, made.fit.as_built, virtual),
        pictures=draw_calibration(folder, made),
        seconds=seconds,
    )


def free_folder(scenario: str) -> Path:
    """A folder name that is free, so that the demo can be run again."""
    named = (_PARENT / (scenario if number == 1 else f"{scenario}-{number}") for number in range(1, 1000))
    return next((root for root in named if not root.exists()), _PARENT / scenario)


def photograph_board(progress: Progress, folder: RigFolder, virtual: VirtualRig) -> PhotosTaken:
    """Virtual photos of the board into the rig folder, for a camera calibration as from any other photos."""
    photos = folder.root / "photos"
    make_folder(photos / "lens")
    with progress.stage(_BOARD_PHOTOS + 1, "Photographing the board") as advance:
        for number, photo in enumerate(virtual.board_photos(_BOARD_PHOTOS)):
            write_picture(photos / "lens" / f"{number:02d}.png", photo)
            advance()
        write_picture(photos / "table.png", virtual.table_sheet_photo())
        advance()
    return PhotosTaken(lens=photos / "lens", table=photos / "table.png")


def build_light_path(progress: Progress, virtual: VirtualRig) -> None:
    """Compute where a virtual rig's light goes; takes a while."""
    done = 0
    with progress.stage(100, "Building the virtual light path") as advance:

        def step(share: float) -> None:
            nonlocal done
            advance(int(100 * share) - done)
            done = int(100 * share)

        virtual.prepare(progress=step)


def map_against_truth(rig: Rig, table_map: PixelMap, truth: PixelMap) -> dict[str, Any]:
    """The measured map against the true one, on the pixels whose light lands on the content area."""
    wanted = truth.answered
    wanted[wanted] = inside_content(rig.content, truth.table_mm[wanted])
    both = wanted & table_map.measured
    error = error_figures(table_map.table_mm[both] - truth.table_mm[both])
    return {**asdict(error), "coverage": float(both.sum() / wanted.sum())}


def _figure_residual_um(folder: RigFolder, built: AsBuilt | None, virtual: VirtualRig) -> float | None:
    """Estimated minus true figure, rms, both aligned rigidly to the design over the places where both are known."""
    if built is None:
        return None
    x, y = np.meshgrid(built.x_mm, built.y_mm)
    zone = np.where(np.isfinite(built.height_um), built.zone, NO_LIGHT)
    for number in zones_lit(zone):
        here = zone == number
        there = np.isfinite(virtual.true_figure_mm(x[here], y[here], zone=number))
        zone[here] = np.where(there, number, NO_LIGHT)
    model = design_model(folder)

    def true_mm(x_mm: Array, y_mm: Array, number: int) -> Array:
        return virtual.true_figure_mm(x_mm, y_mm, zone=number)

    aligned_mm = align_built(true_mm, built.x_mm, built.y_mm, zone, model)
    estimate_um = np.where(np.isfinite(aligned_mm), built.height_um, np.nan)
    estimate_um = remove_rigid(estimate_um, built.x_mm, built.y_mm, model)
    # the truth is along mirror z, the estimate + towards the reflecting side
    return float(np.sqrt(np.nanmean((estimate_um - 1000.0 * built.reflecting_side * aligned_mm) ** 2)))


def draw_calibration(folder: RigFolder, made: Calibrated) -> dict[str, Path]:
    """Pictures of a calibration, written into its result folder; what each shows -> its file."""
    target = made.fit.run / PICTURES
    make_folder(target)
    drawn: dict[str, tuple[str, bytes]] = {}
    if made.checks:  # a map that cannot be right is not played
        before, after = made.checks["before"], made.checks["after"]
        pair = photo_pair(before.photo, after.photo, camera_of(folder), folder.rig)
        drawn["before and after, photographed"] = "before_after.png", pair
        was, left = (Residuals(points_mm=c.result.table_mm, vectors_mm=c.result.vectors_mm) for c in (before, after))
        drawn["what is left, as arrows"] = "residuals.png", residual_pair(was, left, folder.rig)
    built = made.fit.as_built
    if built is not None:
        part = OnThePart.mounted(folder.rig.mirror, built.reflecting_side)
        picture = deviation_map(built.x_mm, built.y_mm, built.height_um, built.height_sigma_um, part=part)
        drawn["built mirror minus design"] = "deviation.png", picture
    for name, data in drawn.values():
        write_bytes(target / name, data, replace=True)
    design = {"the design's light on the table": folder.root / DESIGN_PICTURES / "pixel_grid.png"}
    return {**design, **{what: target / name for what, (name, _) in drawn.items()}}
