"""What the design promises, before anything is measured."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, make_folder, rig_locked, write_bytes
from rigwarp.files.names import DESIGN_FILE, DESIGN_PICTURES, FACES_PICTURE
from rigwarp.geometry import PixelMap
from rigwarp.jobs.bench.check import rig_doubts
from rigwarp.jobs.design import design_model, trace_design
from rigwarp.jobs.progress import SILENT, Progress
from rigwarp.reports import judge_coverage, raster_table
from rigwarp.reports.measures.coverage import Coverage
from rigwarp.reports.measures.light_paths import LightPaths, judge_light
from rigwarp.rig import inside_content
from rigwarp.tracing import (
    ExportCheck,
    FaceNote,
    Sensitivity,
    ToleranceAnalysis,
    analyse_tolerances,
    check_export,
    sensitivity,
    trace_pixels,
)

_SEED = 1  # the same rig gets the same analysis
_ENOUGH_LIGHT = 0.005  # share of the projector's light: with less on the content there is no picture to move
_STAGES = 3
_WHOLE = 1.05  # of the content area, at least: pixels on its rim count whole
_MOST_LAYERS = 3.0  # where light is folded over


@dataclass(frozen=True, kw_only=True)
class Traced:
    """The design of a rig, traced.

    Attributes
    ----------
    path : design.npz.
    design : its map.
    coverage, light : what it does for the content area, and where the light goes.
    faces : what the light finds on a CAD model; empty for mirrors in closed form.
    export : whether the CAD export is fine enough; None for mirrors in closed form.
    sensitivity, tolerances : which dimension matters, and what all tolerances do together; None where hardly any light
        lands on the content area.
    pictures : files.
    doubts : what in rig.toml can hardly be meant; there is no forecast then.
    """

    path: Path
    design: PixelMap
    coverage: Coverage
    light: LightPaths
    faces: tuple[FaceNote, ...]
    export: ExportCheck | None
    sensitivity: Sensitivity | None
    tolerances: ToleranceAnalysis | None
    pictures: list[Path]
    doubts: tuple[str, ...]


def trace_rig(folder: RigFolder, progress: Progress = SILENT) -> Traced:
    """Trace the design, write design.npz and pictures in place of older ones, and judge it.

    Raises
    ------
    InputError
        If the mirror cannot be traced.
    """
    # matplotlib takes half a second, which no other command should wait for
    from rigwarp.reports.figures.causes import tolerance_bars
    from rigwarp.reports.figures.faces import cad_faces
    from rigwarp.reports.figures.table_map import design_light

    with rig_locked(folder.root, "trace"), progress.stage(_STAGES, "Tracing") as advance:
        odd = rig_doubts(folder)
        try:
            model = design_model(folder)
        except InputError as error:
            raise InputError(" ".join([str(error), *odd])) from error
        if model.cad is not None:  # before anything is judged: whoever must correct the file wants to see it
            make_folder(folder.root / DESIGN_PICTURES)
            write_bytes(folder.root / DESIGN_PICTURES / FACES_PICTURE, cad_faces(model, model.cad), replace=True)
        design = trace_design(folder, model)
        advance()
        reason = trace_pixels(model).reason
        coverage = judge_coverage(design, folder.rig)
        light = judge_light(model, design, reason, folder.rig)
        export = check_export(model, design, folder.rig)
        _check_possible(coverage, light, int(inside_content(folder.rig.content, design.table_mm).sum()))
        advance()
        found = sensitivity(model, folder.rig) if coverage.light_on_content > _ENOUGH_LIGHT and not odd else None
        expected = None if found is None else analyse_tolerances(found, np.random.default_rng(_SEED))
        more = {"light_paths.png": design_light(design, folder.rig, reason=reason)}
        if found is not None and expected is not None:
            more["tolerances.png"] = tolerance_bars(found, expected)
        pictures = draw_design(folder, design, more)
        if model.cad is not None:
            pictures.append(folder.root / DESIGN_PICTURES / FACES_PICTURE)
        advance()
    return Traced(
        path=folder.root / DESIGN_FILE,
        design=design,
        coverage=coverage,
        light=light,
        faces=() if model.cad is None else model.cad.notes,
        export=export,
        sensitivity=found,
        tolerances=expected,
        pictures=pictures,
        doubts=odd,
    )


def _check_possible(coverage: Coverage, light: LightPaths, pixels: int) -> None:
    """InputError if a zone lights more of the content, of so many pixels, than there is, which no fold explains."""
    # half of the pixels on the rim of a circle
    whole = max(_WHOLE, 1.0 + np.sqrt(np.pi / max(pixels, 1)))
    most = whole + _MOST_LAYERS * coverage.doubled_share
    for zone in light.zones:
        if not zone.content_share <= most:
            raise InputError(
                f"mirror: zone {zone.zone} ({zone.name}) would light {100.0 * zone.content_share:.0f} % of the content "
                f"area, which has 100. Its shape is wrong: look at {DESIGN_PICTURES}/ and correct mirror in rig.toml "
                "or export its file again."
            )


def draw_design(folder: RigFolder, design: PixelMap, more: dict[str, bytes] | None = None) -> list[Path]:
    """Draw the design's light on the table, in place of older pictures of it."""
    from rigwarp.reports.figures.table_map import irradiance, mm_per_pixel, table_grid

    raster = raster_table(design, folder.rig)
    drawn = {
        "pixel_grid.png": table_grid(design, folder.rig),
        "mm_per_pixel.png": mm_per_pixel(design, folder.rig, raster=raster),
        "brightness.png": irradiance(design, folder.rig, raster=raster),
        **(more or {}),
    }
    make_folder(folder.root / DESIGN_PICTURES)
    for name, data in drawn.items():
        write_bytes(folder.root / DESIGN_PICTURES / name, data, replace=True)
    return [folder.root / DESIGN_PICTURES / name for name in drawn]
