"""Re-registration: a quick look's rigid motion put into the map, without a new scan."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.camera.projection import N_LENS
from rigwarp.files import RigFolder, name_aside, read_bytes, read_camera_extra, write_bytes, write_camera
from rigwarp.files.names import CAMERA_FILE
from rigwarp.geometry import Array, PixelMap
from rigwarp.jobs.results.derived_result import light_of_gain
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.tracing import OpticalModel
from rigwarp.verification import DriftJudgement, fit_residual_field, moved_map, quick_plan, shifted_map

_ENOUGH_DOTS = 20


@dataclass(frozen=True, kw_only=True)
class Corrected:
    """A corrected map and its warp; `sigma_mm` (H, W) is the correction's own uncertainty."""

    table_map: PixelMap
    prewarp: Prewarp
    sigma_mm: Array


def corrected_prewarp(
    folder: RigFolder,
    table_map: PixelMap,
    model: OpticalModel,
    judged: DriftJudgement,
    *,
    light: Array | None = None,
    old: Prewarp | None = None,
) -> Corrected:
    """The map moved by what the look found, and the warp that goes with it.

    The rigid motion is carried by the traced light path. What it leaves at the dots is put in as a smooth field, as
    far as it stands out of their noise.

    Parameters
    ----------
    light : (H, W) measured light per projector pixel; without it that which `old`, the earlier warp, was made for.
    """
    moved = moved_map(table_map, model, judged.light.shifts)
    spots = judged.look.table_mm[np.isin(judged.look.ids, judged.compared)]
    sigma = np.full(moved.x_mm.shape, float(np.median(judged.look.sigma_mm)))
    if len(spots) >= _ENOUGH_DOTS:
        field = fit_residual_field(
            spots,
            judged.light.left_mm,
            np.full(len(spots), float(np.median(judged.look.sigma_mm))),
            spacing_mm=quick_plan(folder.rig.content).spacing_mm,
        )
        if field.significant:
            sigma = field.sigma_mm(moved.table_mm)
            moved = shifted_map(moved, field.at, field.sigma_mm)
    if light is None and old is not None:
        light = light_of_gain(old)
    prewarp = build_prewarp(moved, folder.rig.content, folder.rig.projector.transfer, light=light)
    return Corrected(table_map=moved, prewarp=prewarp, sigma_mm=sigma)


def recalibrated(camera: CameraModel, judged: DriftJudgement) -> CameraModel:
    """The camera where the look found it; what the look does not know of its pose is added to its covariance."""
    covariance = camera.covariance
    if covariance is not None:
        covariance = covariance.copy()
        covariance[N_LENS:, N_LENS:] += judged.camera.covariance
    now = judged.camera_now
    return replace(
        camera,
        R_camera_from_table=now.R_camera_from_table,
        t_camera_from_table_mm=now.t_camera_from_table_mm,
        covariance=covariance,
    )


def motion_note(judged: DriftJudgement) -> dict[str, Any]:
    """What the correction was, for the records."""
    shifts = judged.light.shifts
    names = ("projector_shift_mm", "projector_turn_deg", "mirror_shift_mm", "mirror_turn_deg")
    values = [part if i % 2 == 0 else np.degrees(part) for i, part in enumerate(shifts.reshape(4, 3))]
    return {"findings": list(judged.findings), **{n: v.tolist() for n, v in zip(names, values, strict=True)}}


def write_moved_camera(folder: RigFolder, beside: Path, camera: CameraModel, judged: DriftJudgement) -> Path:
    """A camera file with the pose that the look found, the lens as it was; a copy of camera.json is kept aside.

    Parameters
    ----------
    beside : the new file; it is to become camera.json.

    Returns
    -------
    Path of the old file's copy.
    """
    path, now = folder.root / CAMERA_FILE, datetime.now(UTC)
    aside = name_aside(path)
    write_bytes(aside, read_bytes(path))
    extra = {
        **read_camera_extra(path),
        "moved": {
            "found": now.isoformat(timespec="seconds"),
            "by_mm": judged.camera.moved_mm,
            "table_shift_in_picture_px": judged.camera.seen_px,
            "sigma_px": judged.camera.sigma_px,
        },
    }
    write_camera(beside, camera, extra=extra)
    return aside
