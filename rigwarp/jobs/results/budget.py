"""budget.json: the uncertainty budget of a result, made from its files and kept beside them."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    read_camera,
    read_json,
    read_map,
    read_map_sigmas,
    read_prewarp,
    write_json,
)
from rigwarp.files.names import BUDGET_FILE, CAMERA_FILE, FIT_FILE, MAP_FILE, PREWARP_FILE, VERIFICATION_FILE
from rigwarp.files.records import FitRecord, MapFigures
from rigwarp.files.records.record import finite
from rigwarp.jobs.results.shaped_table import shape_of
from rigwarp.prewarp import content_coordinates
from rigwarp.rig import content_to_table
from rigwarp.verification import CheckGrid, MapBudget, WarpSigmas, map_budget

FORMAT = "rigwarp budget"


def write_budget(folder: RigFolder, result: Path) -> MapBudget:
    """Make the budget of a result, with its check grid where it has been verified, and write budget.json.

    Raises
    ------
    InputError
        If a file it rests on is missing or damaged, or the map was made before its uncertainty was kept by cause.
    """
    rig = folder.rig
    table_map, _ = read_map(result / MAP_FILE)
    sigmas = read_map_sigmas(result / MAP_FILE)
    prewarp = read_prewarp(result / PREWARP_FILE)
    shown_mm = content_to_table(rig.content, content_coordinates(prewarp))
    warp = WarpSigmas(
        table_mm=table_map.table_mm,
        decode_mm=sigmas["sigma_decode_mm"],
        random_mm=sigmas["sigma_random_mm"],
        mesh_mm=np.linalg.norm(shown_mm - table_map.table_mm, axis=-1),
        zone=table_map.zone,
        lit=(prewarp.gain > 0.0) & np.isfinite(shown_mm[..., 0]),
        unproven=_unproven(result / FIT_FILE),
    )
    camera = read_camera(folder.root / CAMERA_FILE)
    shape = shape_of(result, camera)
    budget = map_budget(
        warp,
        camera,
        content=rig.content,
        table=rig.table,
        target=rig.target,
        sheet=sheet_sigma_of(rig.target.thickness_mm),
        check=_check_grid(result / VERIFICATION_FILE),
        shape_sigma=None if shape is None else shape.correction().sigma_mm,
    )
    write_json(result / BUDGET_FILE, budget_record(budget), format=FORMAT, replace=True)
    return budget


def budget_record(budget: MapBudget) -> dict[str, Any]:
    """The budget as JSON values; lengths are 1-sigma per axis in mm unless their name says otherwise."""
    keys = {part: [cause.key for cause in budget.causes if cause.part == part] for part in ("repeatable", "common")}
    return {
        "causes": [asdict(cause) for cause in budget.causes],
        "regions": [
            {
                "name": region.name,
                "places": region.n,
                "sigma_mm": region.sigma_mm,
                **{f"{part}_mm": region.of(names) for part, names in keys.items()},
                "combined_mm": region.combined_mm,
                "expanded_mm": region.expanded_mm,
            }
            for region in budget.regions
        ],
        "coverage_factor": 2,
        "check_grid": asdict(budget.check) if budget.check else None,
        "camera_covariance_known": budget.camera_known,
        "assumed_flatness_mm": budget.flatness_mm,
    }


def _unproven(path: Path) -> float:
    """By which share of sigma, in quadrature, held-out samples scatter beyond it where they do not bear it out."""
    figures = (FitRecord.read(path).table_map if path.is_file() else None) or MapFigures()
    spread = finite(figures.z_spread)
    return float(np.sqrt(spread**2 - 1.0)) if figures.not_proven and spread > 1.0 else 0.0


def _check_grid(path: Path) -> CheckGrid | None:
    """The dots of a verification through the measured warp; None where there is none to go by."""
    if not path.is_file():
        return None
    after = read_json(path, format="rigwarp verification").get("after")
    if not isinstance(after, dict):
        return None
    try:
        points, vectors = (np.array(after[key], float).reshape(-1, 2) for key in ("points_mm", "vectors_mm"))
        sigma = np.array(after.get("sigma_mm") or np.zeros(len(points)), float).reshape(len(points))
        if len(points) != len(vectors) or not all(np.isfinite(a).all() for a in (points, vectors, sigma)):
            raise ValueError
    except (KeyError, TypeError, ValueError):
        raise InputError(f"{path}: found no list of dots in it. Measure them again: rigwarp verify") from None
    return CheckGrid(points_mm=points, vectors_mm=vectors, sigma_mm=sigma) if len(points) > 4 else None
