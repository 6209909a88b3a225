"""`rigwarp trace`: what the design promises, before anything is measured."""

from dataclasses import asdict
from pathlib import Path

from rigwarp.commands.console import Console
from rigwarp.commands.design import DESIGN_FILE, design_model, trace_design
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.files import RigFolder, open_rig, write_bytes
from rigwarp.geometry import PixelMap
from rigwarp.reports import judge_coverage, raster_table
from rigwarp.reports.figures_map import design_light, irradiance, mm_per_pixel, table_grid
from rigwarp.tracing import trace_pixels

PICTURES = "design_pictures"


def trace(rig: RigArgument, json: JsonOption = False) -> None:
    """Trace the design: what is lit, how sharply, how brightly, and what is blocked; writes design.npz and pictures."""
    console = Console(json=json)
    folder = open_rig(rig)
    model = design_model(folder)
    design = trace_design(folder, model)
    coverage = judge_coverage(design, folder.rig)
    reason = trace_pixels(model).reason
    pictures = draw_design(folder, design, {"light_paths.png": design_light(design, folder.rig, reason=reason)})
    console.say(f"{folder.rig.name}: the design, traced into {folder.root / DESIGN_FILE}")
    console.table(coverage.rows())
    for picture in pictures:
        console.say(f"  picture {picture}")
    console.result({"design": folder.root / DESIGN_FILE, "coverage": asdict(coverage), "pictures": pictures})


def draw_design(folder: RigFolder, design: PixelMap, more: dict[str, bytes] | None = None) -> list[Path]:
    """Draw the design's light on the table, in place of older pictures of it."""
    raster = raster_table(design, folder.rig)
    drawn = {
        "pixel_grid.png": table_grid(design, folder.rig),
        "mm_per_pixel.png": mm_per_pixel(design, folder.rig, raster=raster),
        "brightness.png": irradiance(design, folder.rig, raster=raster),
        **(more or {}),
    }
    (folder.root / PICTURES).mkdir(exist_ok=True)
    for name, data in drawn.items():
        write_bytes(folder.root / PICTURES / name, data, replace=True)
    return [folder.root / PICTURES / name for name in drawn]
