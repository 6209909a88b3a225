"""Refining: what the check measured fed back into the map, and kept only if it is better.

Two things are fed back. The table's shape: a photograph of the printed sheet lying on the table tells whether it is
flat (`verification.quality.table_shape`); where it is not, all positions move by the height times the slant of the
camera's view, in the map and in the check alike. And the check dots' residuals: their smooth part, no larger than the
dots' noise allows (`verification.dots.corrected_map`). The new result is measured with dots of its own noise; it
becomes current only when their mean square error has fallen beyond that noise, and P95 with it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.camera.boards.detection import detect_board
from rigwarp.camera.table.field_of_view import middle_mm_per_px
from rigwarp.devices import VIRTUAL, open_virtual
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, current_result, make_current, read_map, read_photo
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import MAP_FILE, TABLE_SHAPE_FILE
from rigwarp.files.table_shape_file import write_table_shape
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.quick_look import prewarp_of
from rigwarp.jobs.checks.verify import Verified, check_warp, verify_result
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.derived_result import write_derived
from rigwarp.jobs.results.shaped_table import CheckPositions, shape_of
from rigwarp.prewarp import Prewarp
from rigwarp.verification import ResidualField, VerificationResult, fit_residual_field, plan_dots, shifted_map
from rigwarp.verification.dots.judge import nearer_now
from rigwarp.verification.quality.table_shape import TableShape, fit_table_shape

_SHEET_PHOTOS = 4  # of a virtual table, averaged
_ASTRAY_PX = 0.25
"""The sheet may lie elsewhere than camera.json has it by what its print and the lens leave open: up to 0.12 px seen."""
_DOT_BIAS_PX = 0.03
"""Camera pixels by which neighbouring dots may be misplaced alike: uneven light across them, smear, the lens. Seen on
virtual rigs: 0.015 px."""
_FULL_16_BIT = 65535

Check = Callable[[Prewarp], VerificationResult]


@dataclass(frozen=True, kw_only=True)
class Refined:
    """What came of a refinement.

    Attributes
    ----------
    result : the result that is current now.
    tried : the result that was made; None where nothing was worth it.
    kept : whether the new result is the current one.
    shape : the table, where the sheet was seen.
    field : the smooth part of the dots' residuals.
    before, after : dots through the old and the new warp, both judged with the table as it is known now.
    why : in words.
    """

    result: Path
    tried: Path | None
    kept: bool
    shape: TableShape | None
    field: ResidualField
    before: VerificationResult
    after: VerificationResult | None
    why: str


def refine(progress: Progress, folder: RigFolder, check: Check, sheet: Sequence[Path]) -> Refined:
    """Feed back what `check`, which shows dots through a warp and judges them, and photographs of the sheet tell.

    `check` judges by the flat table of camera.json; no correction by hand may be in force in it.
    """
    result = current_result(folder.root)
    camera = camera_of(folder)
    known = shape_of(result, camera)  # a table that is known already needs no second sheet
    fresh = _seen_shape(progress, folder, camera, sheet) if known is None else None
    aimed = fresh is not None and fresh.significant
    shape = fresh if aimed else known
    positions = CheckPositions(shape)
    before = positions.judged(check(prewarp_of(result)))
    expected = positions.shift_mm(before.table_mm) if aimed else np.zeros_like(before.table_mm)
    field = fit_residual_field(
        before.table_mm,
        before.vectors_mm - expected,
        before.sigma_mm,
        spacing_mm=plan_dots(folder.rig.content).spacing_mm,
        bias_mm=_DOT_BIAS_PX * middle_mm_per_px(camera, folder.rig.content, folder.rig.table.height_mm),
    )
    why = "the residuals are no more than the dots' noise" + (", and the table is flat" if fresh else "")
    unchanged = Refined(
        result=result, tried=None, kept=False, shape=fresh, field=field, before=before, after=None, why=why
    )
    if not aimed and not field.significant:
        return unchanged
    run = _refined_result(folder, result, fresh if aimed else None, field, shape)
    after = positions.judged(check(prewarp_of(run)))
    tried = replace(unchanged, tried=run, shape=fresh or known, after=after)
    if not is_better(before, after):
        return replace(tried, why="the new result was no better beyond the dots' noise")
    make_current(folder.root, run)
    return replace(tried, result=run, kept=True, why="the new result is better")


@dataclass(frozen=True, kw_only=True)
class RefinedResult:
    """A refinement, and the whole check of the result that is current after it."""

    refined: Refined
    verified: Verified


def refine_current(
    progress: Progress,
    folder: RigFolder,
    sheet: Sequence[Path] = (),
    *,
    display: int | None = None,
    on_refined: Callable[[Refined], None] | None = None,
) -> RefinedResult:
    """Feed back what is measured with the rig's devices; then the whole check of the result that is current.

    Parameters
    ----------
    sheet : photographs of the sheet lying on the table.
    on_refined : told of the refinement before the check begins.
    """
    camera = camera_of(folder)
    with live_bench(progress, folder, display=display) as bench:

        def check(prewarp: Prewarp) -> VerificationResult:
            return check_warp(progress, folder, bench, camera, prewarp)[0].result

        refined = refine(progress, folder, check, sheet)
        if on_refined is not None:
            on_refined(refined)
        verified = verify_result(progress, folder, refined.result, bench, before=False)
    return RefinedResult(refined=refined, verified=verified)


def is_better(before: VerificationResult, after: VerificationResult) -> bool:
    """Paired test on the dots that both checks saw: mean square error lower by three sigmas, and P95 lower too."""
    lost = len(after.missing) > len(before.missing) or len(after.doubled) > len(before.doubled)
    sure = nearer_now(before.ids, before.vectors_mm, after.ids, after.vectors_mm)
    return sure and after.p95_mm < before.p95_mm and not lost


def _seen_shape(progress: Progress, folder: RigFolder, camera: CameraModel, sheet: Sequence[Path]) -> TableShape | None:
    """The table's shape from photographs of the sheet; None where there are none."""
    rig = folder.rig
    if sheet:
        photos = [read_photo(path) for path in sheet]
    elif rig.camera.device == VIRTUAL:
        virtual = open_virtual(folder)
        photos = [virtual.table_sheet_photo() for _ in range(_SHEET_PHOTOS)]
    else:
        progress.note("Whether the table is flat is not looked at: give a photograph of the sheet on it with --sheet.")
        return None
    wrong = [photo.shape for photo in photos if photo.shape[::-1] != camera.resolution]
    if wrong:
        raise InputError(
            f"a photograph of the sheet has {wrong[0][1]} x {wrong[0][0]} pixels, camera.json says "
            f"{camera.resolution[0]} x {camera.resolution[1]}: take it with the camera as it was calibrated"
        )
    full = [np.iinfo(photo.dtype).max for photo in photos]
    mean = np.mean([p * (_FULL_16_BIT / f) for p, f in zip(photos, full, strict=True)], axis=0)
    shape = fit_table_shape(detect_board(np.rint(mean).astype(np.uint16), rig.target), camera, rig.target, rig.table)
    if shape.astray_px > _ASTRAY_PX:
        raise MeasurementError(
            f"the sheet on the table lies {shape.astray_px:.2f} px away from where camera.json has it: camera, sheet "
            "or table have moved since. Make camera.json anew with rigwarp camera, calibrate, and refine then"
        )
    return shape


def _refined_result(
    folder: RigFolder, earlier: Path, new_shape: TableShape | None, field: ResidualField, shape: TableShape | None
) -> Path:
    """A finished result folder with the corrections in its map; not current yet."""
    table_map, _ = read_map(earlier / MAP_FILE, resolution=folder.rig.projector.resolution)
    refined, sigma = table_map, np.zeros(table_map.x_mm.shape)
    if new_shape is not None:
        correction = new_shape.correction()
        sigma = correction.sigma_mm(table_map.table_mm)
        refined = shifted_map(refined, correction.at, correction.sigma_mm)
    if field.significant:
        sigma = np.hypot(sigma, field.sigma_mm(refined.table_mm))
        refined = shifted_map(refined, field.at, field.sigma_mm)
    if not np.array_equal(refined.answered, table_map.answered):
        raise InputError("the correction does not cover the map: calibrate anew")
    note = {
        "table_bow_mm": None if new_shape is None else new_shape.bow_mm,
        "residual_rms_mm": field.rms_mm if field.significant else None,
    }
    return write_derived(
        folder,
        earlier,
        refined,
        command="verify --refine",
        note={"refined": note},
        more_sigma_mm=np.nan_to_num(sigma),
        more_files={} if shape is None else {TABLE_SHAPE_FILE: lambda path: write_table_shape(path, shape)},
    )
