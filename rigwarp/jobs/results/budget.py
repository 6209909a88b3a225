"""budget.json: the uncertainty budget of a result, made from its files and kept beside them."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, read_camera, read_map, read_map_sigmas, read_prewarp
from rigwarp.files.names import BUDGET_FILE, CAMERA_FILE, FIT_FILE, MAP_FILE, PREWARP_FILE, VERIFICATION_FILE
from rigwarp.files.records import (
    BudgetCause,
    BudgetRecord,
    BudgetRegion,
    CheckRecord,
    FitRecord,
    MapFigures,
    VerificationRecord,
)
from rigwarp.files.records.record import finite
from rigwarp.geometry import Array, PixelMap
from rigwarp.jobs.results.shaped_table import shape_of
from rigwarp.prewarp import Prewarp, mesh_coordinates
from rigwarp.rig import Rig, content_to_table
from rigwarp.verification import CheckGrid, MapBudget, WarpSigmas, map_budget, thinned

_PARTS = {key: f"sigma_{key}_mm" for key in ("ripple", "border", "light", "bands", "curve")}


def write_budget(folder: RigFolder, result: Path, warp: WarpSigmas | None = None) -> MapBudget:
    """Make the budget of a result, with its check grid where it has been verified, and write budget.json.

    `warp` is the result's own map by `warp_sigmas`, read from its files where it is not at hand.

    Raises
    ------
    InputError
        If a file it rests on is missing or damaged, or the map was made before its uncertainty was kept by cause.
    """
    if warp is None:
        table_map, _ = read_map(result / MAP_FILE, resolution=folder.rig.projector.resolution)
        warp = warp_sigmas(
            folder.rig, table_map, read_map_sigmas(result / MAP_FILE), read_prewarp(result / PREWARP_FILE)
        )
    rig = folder.rig
    fit = FitRecord.read(result / FIT_FILE) if (result / FIT_FILE).is_file() else FitRecord()
    warp = replace(warp, unproven=_unproven(fit), decode_shares=fit.noise_shares, motion_px=fit.motion_sigma_px)
    camera = read_camera(folder.root / CAMERA_FILE)
    shape = shape_of(result, camera)
    budget = map_budget(
        warp,
        camera,
        content=rig.content,
        table=rig.table,
        target=rig.target,
        sheet=sheet_sigma_of(rig.target),
        check=_check_grid(result / VERIFICATION_FILE),
        shape_sigma=None if shape is None else shape.correction().sigma_mm,
    )
    budget_record(budget).write(result / BUDGET_FILE, replace=True)
    return budget


def warp_sigmas(rig: Rig, table_map: PixelMap, sigmas: Mapping[str, Array], prewarp: Prewarp) -> WarpSigmas:
    """What map.npz and prewarp.npz tell of the pixels that the budget is made from; `sigmas` by their names there."""
    lit = (prewarp.gain > 0.0) & table_map.answered & np.isfinite(sigmas["sigma_random_mm"])
    canvas_px = mesh_coordinates(prewarp) if prewarp.canvas_px is None else prewarp.canvas_px
    lit = thinned(lit & np.isfinite(canvas_px[..., 0]))

    def there(values: NDArray[Any]) -> Array:
        return values[lit].astype(float)

    table_mm = np.stack([there(table_map.x_mm), there(table_map.y_mm)], axis=-1)
    return WarpSigmas(
        table_mm=table_mm,
        decode_mm=there(sigmas["sigma_decode_mm"]),
        random_mm=there(sigmas["sigma_random_mm"]),
        mesh_mm=np.linalg.norm(content_to_table(rig.content, there(canvas_px)) - table_mm, axis=-1),
        zone=table_map.zone[lit],
        parts_mm={key: there(sigmas[name]) for key, name in _PARTS.items() if name in sigmas},
    )


def budget_record(budget: MapBudget) -> BudgetRecord:
    """The budget as it is kept."""
    keys = {part: [cause.key for cause in budget.causes if cause.part == part] for part in ("repeatable", "common")}
    parts = [{f"{part}_mm": region.of(names) for part, names in keys.items()} for region in budget.regions]
    return BudgetRecord(
        causes=tuple(BudgetCause.of(cause) for cause in budget.causes),
        regions=tuple(
            BudgetRegion.of(region, places=region.n, **part) for region, part in zip(budget.regions, parts, strict=True)
        ),
        coverage_factor=2,
        check_grid=None if budget.check is None else CheckRecord.of(budget.check),
        camera_covariance_known=budget.camera_known,
        assumed_flatness_mm=np.nan if budget.flatness_mm is None else budget.flatness_mm,
    )


def _unproven(fit: FitRecord) -> float:
    """By which share of sigma, in quadrature, held-out samples scatter beyond it where they do not bear it out."""
    figures = fit.table_map or MapFigures()
    spread = finite(figures.z_spread)
    return float(np.sqrt(spread**2 - 1.0)) if figures.not_proven and spread > 1.0 else 0.0


def _check_grid(path: Path) -> CheckGrid | None:
    """The dots of a verification through the measured warp; None where there is none to go by."""
    after = VerificationRecord.read(path).after if path.is_file() else None
    if after is None:
        return None
    points, vectors = (np.array(listed or (), float).reshape(-1, 2) for listed in (after.points_mm, after.vectors_mm))
    sigma = np.array(after.sigma_mm or np.zeros(len(points)), float)
    told = after.points_mm is not None and after.vectors_mm is not None and len(points) == len(vectors) == len(sigma)
    if not told or not all(np.isfinite(column).all() for column in (points, vectors, sigma)):
        raise InputError(f"{path}: found no list of dots in it. Measure them again: rigwarp verify")
    return CheckGrid(points_mm=points, vectors_mm=vectors, sigma_mm=sigma) if len(points) > 4 else None
