"""A quick look compared with the stored one: what has moved, whether the light has changed, and what to do."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.camera.projection import N_LENS
from rigwarp.geometry import BoolArray, Photo, at_height
from rigwarp.rig import Table
from rigwarp.tracing import OpticalModel
from rigwarp.verification.dots.judge import ErrorFigures, error_figures
from rigwarp.verification.dots.plan import DotPlan
from rigwarp.verification.drift.camera_motion import CameraMotion, moved_camera, register_camera
from rigwarp.verification.drift.motion import Explanation, LightShift, explain_shift
from rigwarp.verification.drift.quick import QuickLook, QuickState, ambient_light, read_quick

Advice = Literal["nothing", "re-register", "scan"]

_CAMERA_CHI_SQUARED = 50.0  # six degrees of freedom: noise reaches this in one look of a hundred million
_CAMERA_PX = 0.3  # rms shift of the table in the camera's picture below which nobody would notice
_SYSTEMATIC = 2.0  # the table's looks change a little with the camera's place; its claimed sigma is widened by this
_LEVEL = 0.05  # change of the light worth telling
_SAME_CHANGE = 0.04  # projector and room light that change alike to this: it is the camera's exposure
_ROOM = 0.25  # change of the room light worth telling
_MOST_LOST = 0.15  # share of dots that may be missing before a new scan is due
_UNTOLD_MM = 0.1  # rms shift of the light that is worth a word even where nothing tells it from the camera's


@dataclass(frozen=True, kw_only=True)
class DriftJudgement:
    """What a quick look says.

    Attributes
    ----------
    findings : what has changed, in words of a fixed list: "camera", "projector", "mirror", "projector or mirror",
        "projector and mirror", "camera, projector or mirror", "light level", "camera exposure", "room light".
    advice : "nothing", "re-register" (a pose from this look suffices) or "scan".
    why : one line that explains the advice.
    camera : how the camera moved, by its own picture.
    camera_now : where it stands, by everything that was seen; the stored one when it has not moved.
    light : what explains the light's shift on the table.
    look : the dots, by the camera as it stands.
    compared : (n,) ids of the dots that both looks show: those that `light` explains.
    light_level, room_light : projected and room light over what they were.
    picture : how far the dots are from where content wants them, with this camera.
    """

    findings: tuple[str, ...]
    advice: Advice
    why: str
    camera: CameraMotion
    camera_now: CameraModel
    light: Explanation
    look: QuickLook
    compared: NDArray[np.int32]
    light_level: float
    room_light: float
    picture: ErrorFigures


def judge_drift(
    photos: Sequence[Photo], state: QuickState, plan: DotPlan, model: OpticalModel, table: Table
) -> DriftJudgement:
    """Compare a quick look with the stored one.

    Parameters
    ----------
    photos : five, see `read_quick`.
    state : the stored look.
    plan : the dots that both show.
    model : the light path of the result that both show, see `light_model`.
    table : of the rig.

    Raises
    ------
    MeasurementError
        When the photos cannot be read.
    """
    motion = register_camera(state.ambient, ambient_light(photos), state.camera, table)
    covariance = _SYSTEMATIC**2 * motion.covariance
    pose = np.concatenate([motion.turn_rad, motion.shift_mm])
    chi_squared = float(pose @ np.linalg.solve(covariance, pose))
    moved = motion.known and motion.seen_px > _CAMERA_PX and chi_squared > _CAMERA_CHI_SQUARED
    camera = motion.camera if moved else state.camera

    def seen_by(camera: CameraModel) -> tuple[QuickLook, BoolArray, BoolArray]:
        look = read_quick(photos, state.ids, state.table_mm, plan, camera, table.height_mm)
        return look, np.isin(state.ids, look.ids), np.isin(look.ids, state.ids)

    look, then, now = seen_by(camera)
    compared = look.ids[now]
    spots = at_height(look.table_mm[now], table.height_mm)
    by_pose = camera.plane_sensitivity(camera.project(spots), table.height_mm)[..., N_LENS:]
    shift = LightShift(
        pixels_px=state.pixels_px[then],
        zone=state.zone[then],
        moved_mm=look.table_mm[now] - state.table_mm[then],
        sigma_mm=np.hypot(look.sigma_mm[now], state.sigma_mm[then]),
        by_camera=-by_pose,  # one that stands elsewhere sees them elsewhere
        camera_covariance=covariance,
    )
    light = explain_shift(model, shift)
    if moved:
        camera = moved_camera(camera, light.camera_pose)
        look, then, now = seen_by(camera)
    level = float(np.median(look.flux[now] / state.flux[then]))
    findings = _findings(motion, light, level, moved=moved)
    advice, why = _advice(findings, light, look)
    return DriftJudgement(
        findings=findings,
        advice=advice,
        why=why,
        camera=motion,
        camera_now=camera,
        light=light,
        look=look,
        compared=compared,
        light_level=level,
        room_light=motion.light,
        picture=error_figures(look.table_mm - plan.table_mm[look.ids]),
    )


def _findings(motion: CameraMotion, light: Explanation, level: float, *, moved: bool) -> tuple[str, ...]:
    found = ["camera"] if moved else []
    if light.moved != "nothing":
        found.append(light.moved)
    elif not motion.known and light.rms_mm > _UNTOLD_MM:
        found.append("camera, projector or mirror")
    exposure = abs(motion.light - 1.0) > _LEVEL and abs(level / motion.light - 1.0) < _SAME_CHANGE
    if exposure:
        found.append("camera exposure")
    elif abs(level - 1.0) > _LEVEL:
        found.append("light level")
    if abs(motion.light - 1.0) > _ROOM and not exposure:
        found.append("room light")
    return tuple(found)


def _advice(findings: tuple[str, ...], light: Explanation, look: QuickLook) -> tuple[Advice, str]:
    lost = 1.0 - len(look.ids) / look.expected
    geometry = [name for name in findings if name not in ("light level", "camera exposure", "room light")]
    if not geometry:
        return "nothing", "nothing has moved" if findings else "nothing has changed"
    if "camera, projector or mirror" in geometry:
        return "scan", "the room light shows too little of the table to tell whether the camera or the light has moved"
    if lost > _MOST_LOST:
        return "scan", f"{100 * lost:.0f} % of the dots are no longer seen"
    if not light.rigid:
        return "scan", f"no rigid motion explains the shift: it leaves {light.left_rms_mm:.2f} mm rms"
    return "re-register", f"a rigid motion explains the shift to {light.left_rms_mm:.3f} mm rms"
