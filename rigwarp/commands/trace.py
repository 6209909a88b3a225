"""`rigwarp trace`: what the design promises, before anything is measured."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.commands.console import Console
from rigwarp.commands.design import design_model, trace_design
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import RigFolder, open_rig, write_bytes
from rigwarp.files.names import DESIGN_FILE, DESIGN_PICTURES
from rigwarp.geometry import PixelMap
from rigwarp.reports import judge_coverage, raster_table
from rigwarp.reports.figures.causes import tolerance_bars
from rigwarp.reports.figures.table_map import design_light, irradiance, mm_per_pixel, table_grid
from rigwarp.reports.measures.coverage import Coverage
from rigwarp.reports.measures.light_paths import LightPaths, judge_light
from rigwarp.reports.measures.tolerance_rows import (
    SENSITIVITY_HEAD,
    cause_rows,
    export_rows,
    sensitivity_facts,
    sensitivity_rows,
)
from rigwarp.tracing import (
    ExportCheck,
    Sensitivity,
    ToleranceAnalysis,
    analyse_tolerances,
    check_export,
    sensitivity,
    trace_pixels,
)

_SEED = 1  # the same rig gets the same forecast
_ENOUGH_LIGHT = 0.005  # share of the projector's light: with less on the content there is no picture to move
_FORECAST_FROM = (
    "rigs drawn within rig.toml's 1-sigma tolerances, shifts linear in each parameter; tolerance.figure_rms_um is "
    "shared out among each zone's Zernike terms up to n = 4 as 1 / n^2"
)


def trace(rig: RigArgument, json: JsonOption = False) -> None:
    """Trace the design: what is lit, how sharply, how brightly, what is blocked, and which dimension matters.

    Writes design.npz and pictures. The forecast draws rigs at random within the tolerances in rig.toml and tells how
    far their pictures would be off if nothing were measured.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    model = design_model(folder)
    design = trace_design(folder, model)
    reason = trace_pixels(model).reason
    coverage = judge_coverage(design, folder.rig)
    light = judge_light(model, design, reason, folder.rig)
    export = check_export(model, design, folder.rig)
    found = sensitivity(model, folder.rig) if coverage.light_on_content > _ENOUGH_LIGHT else None
    expected = None if found is None else analyse_tolerances(found, np.random.default_rng(_SEED))
    more = {"light_paths.png": design_light(design, folder.rig, reason=reason)}
    if found is not None and expected is not None:
        more["tolerances.png"] = tolerance_bars(found, expected)
    pictures = draw_design(folder, design, more)
    console.say(f"{folder.rig.name}: the design, traced into {folder.root / DESIGN_FILE}")
    _print_design(console, coverage, light, export)
    if found is not None and expected is not None:
        _print_forecast(console, found, expected)
    else:
        console.say("\nNo forecast: hardly any light lands on the content area. Correct the aim in rig.toml first.")
    for picture in pictures:
        console.say(f"  picture {picture}")
    console.result(
        {
            "design": folder.root / DESIGN_FILE,
            "coverage": asdict(coverage),
            "light": asdict(light),
            "export": None if export is None else asdict(export),
            "sensitivity": [] if found is None else sensitivity_facts(found),
            "forecast": None if expected is None else _forecast_facts(expected),
            "pictures": pictures,
        }
    )


def _forecast_facts(expected: ToleranceAnalysis) -> dict[str, Any]:
    return {**asdict(expected), "sentence": expected.sentence, "from": _FORECAST_FROM}


def _print_design(console: Console, coverage: Coverage, light: LightPaths, export: ExportCheck | None) -> None:
    console.table(light.zone_rows(), head=("zone", "piece of mirror", "light", "content area"))
    console.table(coverage.rows() + light.rows())
    if export is not None:
        console.table(export_rows(export))
        if export.advice:
            console.say(f"  {export.advice}")


def _print_forecast(console: Console, found: Sensitivity, expected: ToleranceAnalysis) -> None:
    console.say(
        "\nWhich dimension matters: mm on the table per unit, over the content area; left: rms after the best shift, "
        "turn and scale"
    )
    console.table(sensitivity_rows(found), head=SENSITIVITY_HEAD)
    console.say(f"\n{expected.sentence}")
    console.table(cause_rows(expected))


def draw_design(folder: RigFolder, design: PixelMap, more: dict[str, bytes] | None = None) -> list[Path]:
    """Draw the design's light on the table, in place of older pictures of it."""
    raster = raster_table(design, folder.rig)
    drawn = {
        "pixel_grid.png": table_grid(design, folder.rig),
        "mm_per_pixel.png": mm_per_pixel(design, folder.rig, raster=raster),
        "brightness.png": irradiance(design, folder.rig, raster=raster),
        **(more or {}),
    }
    (folder.root / DESIGN_PICTURES).mkdir(exist_ok=True)
    for name, data in drawn.items():
        write_bytes(folder.root / DESIGN_PICTURES / name, data, replace=True)
    return [folder.root / DESIGN_PICTURES / name for name in drawn]
