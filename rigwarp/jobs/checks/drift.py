"""A quick look: what has moved since the last verification, and a re-registration where that suffices."""

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.camera.projection import N_LENS
from rigwarp.devices import DisplayChoice
from rigwarp.errors import MeasurementError
from rigwarp.files import (
    RigFolder,
    current_result,
    make_current,
    name_aside,
    read_bytes,
    read_camera_extra,
    read_map,
    rig_locked,
    write_bytes,
    write_camera,
)
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import CAMERA_FILE, DRIFT_FILE, MAP_FILE
from rigwarp.files.records import DriftRecord, MapFigures
from rigwarp.geometry import Array, Photo, PixelMap
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.quick_look import (
    BenchLooker,
    Looker,
    keep_look,
    light_model_of,
    prewarp_of,
    quick_frames,
    read_state,
)
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.derived_result import write_derived
from rigwarp.jobs.results.shaped_table import CheckPositions, shape_of
from rigwarp.rig import Rig
from rigwarp.table_map.registration import shifts_by_name
from rigwarp.tracing import OpticalModel
from rigwarp.verification import (
    DriftJudgement,
    QuickLook,
    fit_residual_field,
    judge_drift,
    moved_map,
    quick_plan,
    read_quick,
    shifted_map,
)
from rigwarp.verification.dots.judge import ErrorFigures, error_figures, nearer_now
from rigwarp.verification.verdict import judge_errors

_COMMAND = "verify --quick --reregister"
_ENOUGH_DOTS = 20


@dataclass(frozen=True, kw_only=True)
class Reregistered:
    """What came of a re-registration.

    Attributes
    ----------
    result : the folder that is current now.
    kept : False where the corrected warp was no better: then everything stays as it was.
    picture : the dots through the corrected warp; those of the look where no warp was made.
    camera_kept_aside : where the old camera.json was put; None where the camera has not moved.
    seconds : of computing.
    """

    result: Path
    kept: bool
    picture: ErrorFigures
    camera_kept_aside: Path | None
    seconds: float


@dataclass(frozen=True, kw_only=True)
class QuickCheck:
    """A quick look judged: the result it looked at, the photographs, and how long computing took."""

    result: Path
    judged: DriftJudgement
    photos: list[Photo]
    seconds: float


def quick_check(folder: RigFolder, looker: Looker) -> QuickCheck:
    """Look, compare with the stored look, and write drift.json.

    Raises
    ------
    InputError
        When the current result has no look to compare with, or it no longer belongs to this rig.
    MeasurementError
        When the photographs cannot be read.
    """
    result = current_result(folder.root)
    start = time.monotonic()
    state = read_state(folder, result)
    frames = quick_frames(folder, prewarp_of(result))
    looking = time.monotonic()
    photos = looker.look(frames, exposure_s=state.exposure_s)
    looked = time.monotonic()
    model = light_model_of(folder, result, state)
    judged = judge_drift(photos, state, quick_plan(folder.rig.content), model, folder.rig.table)
    errors = _errors_mm(folder, result, judged.camera_now, judged.look)
    judged = advised(replace(judged, picture=error_figures(errors)), folder.rig)
    seconds = time.monotonic() - start - (looked - looking)
    check = QuickCheck(result=result, judged=judged, photos=photos, seconds=seconds)
    drift_record(check).write(result / DRIFT_FILE, replace=True)
    return check


def advised(judged: DriftJudgement, rig: Rig) -> DriftJudgement:
    """The judgement with advice that goes by the picture too: what has not changed may have been wrong before."""
    if judged.advice != "nothing" or not judge_errors(judged.picture, rig).failures:
        return judged
    why = (
        f"{judged.why}, but the picture is off by {judged.picture.p95_mm:.2f} mm (P95), where "
        f"{rig.tolerance.content_p95_mm:g} are allowed"
    )
    return replace(judged, advice="scan", why=why)


def reregister(folder: RigFolder, check: QuickCheck, looker: Looker) -> Reregistered:
    """Put what a look found into camera.json and a new result, look again, and keep it only if it is better.

    Raises
    ------
    MeasurementError
        When the look says that no re-registration will do.
    """
    judged = check.judged
    if judged.advice == "scan":
        raise MeasurementError(f"re-registration is no use: {judged.why}. Calibrate: rigwarp calibrate {folder.root}")
    start, shown_s = time.monotonic(), 0.0
    photos, picture, kept, aside = check.photos, judged.picture, True, None
    with rig_locked(folder.root, "verify --reregister"):
        run = _corrected_result(folder, check)
        if judged.light.moved != "nothing":
            begun = time.monotonic()
            photos = looker.look(quick_frames(folder, prewarp_of(run)))
            shown_s = time.monotonic() - begun
            plan = quick_plan(folder.rig.content)
            look = read_quick(photos, plan.ids, plan.table_mm, plan, judged.camera_now, folder.rig.table.height_mm)
            errors = _errors_mm(folder, run, judged.camera_now, look)
            before = _errors_mm(folder, check.result, judged.camera_now, judged.look)
            picture = error_figures(errors)
            kept = nearer_now(judged.look.ids, before, look.ids, errors)
        if kept:
            camera, beside = camera_of(folder), None
            if "camera" in judged.findings:
                camera = _recalibrated(camera, judged)
                beside = run / CAMERA_FILE
                aside = _write_moved_camera(folder, beside, camera, judged)
            if not judge_errors(picture, folder.rig).failures:  # else there would be nothing good to compare with later
                keep_look(folder, run, photos, camera, looker.exposure_s)
            make_current(folder.root, run, camera=beside)
    done = Reregistered(
        result=run if kept else check.result,
        kept=kept,
        picture=picture,
        camera_kept_aside=aside,
        seconds=time.monotonic() - start - shown_s,
    )
    replace(drift_record(check), reregistration=asdict(done)).write(check.result / DRIFT_FILE, replace=True)
    return done


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A quick look, and what came of correcting what it found; None: nothing was corrected."""

    check: QuickCheck
    reregistered: Reregistered | None

    @property
    def picture(self) -> ErrorFigures:
        """The dots through the warp that is current now."""
        return self.check.judged.picture if self.reregistered is None else self.reregistered.picture


def look_quickly(
    progress: Progress,
    folder: RigFolder,
    *,
    correct: bool = False,
    display: DisplayChoice = None,
    on_look: Callable[[QuickCheck], None] | None = None,
) -> Looked:
    """A quick look with the rig's devices, and with `correct` a re-registration where the look advises one.

    `on_look` is told of the look before anything is corrected.
    """
    with live_bench(progress, folder, display=display, quick=True) as bench:
        looker = BenchLooker(bench=bench)
        check = quick_check(folder, looker)
        if on_look is not None:
            on_look(check)
        wanted = correct and check.judged.advice == "re-register"
        return Looked(check=check, reregistered=reregister(folder, check, looker) if wanted else None)


def _corrected_result(folder: RigFolder, check: QuickCheck) -> Path:
    """A finished result folder with the light moved as the look found it; not current yet.

    Where only the camera has moved the map stays, in a folder of its own all the same: so that the new camera and the
    look that goes with it become current together.
    """
    note = {"reregistered": {"findings": check.judged.findings, **shifts_by_name(check.judged.light.shifts)}}
    if check.judged.light.moved == "nothing":
        return write_derived(folder, check.result, None, command=_COMMAND, note=note)
    table_map, _ = read_map(check.result / MAP_FILE, resolution=folder.rig.projector.resolution)
    model = light_model_of(folder, check.result, read_state(folder, check.result))
    corrected, sigma_mm = corrected_map(folder.rig, table_map, model, check.judged)
    return write_derived(folder, check.result, corrected, command=_COMMAND, note=note, more_sigma_mm=sigma_mm)


def corrected_map(rig: Rig, table_map: PixelMap, model: OpticalModel, judged: DriftJudgement) -> tuple[PixelMap, Array]:
    """The map moved by what the look found, and (H, W) the correction's own uncertainty, mm.

    The rigid motion is carried by the traced light path. What it leaves at the dots is put in as a smooth field, as
    far as it stands out of their noise.
    """
    moved = moved_map(table_map, model, judged.light.shifts)
    spots = judged.look.table_mm[np.isin(judged.look.ids, judged.compared)]
    noise_mm = float(np.median(judged.look.sigma_mm))
    if len(spots) >= _ENOUGH_DOTS:
        spacing_mm = quick_plan(rig.content).spacing_mm
        field = fit_residual_field(spots, judged.light.left_mm, np.full(len(spots), noise_mm), spacing_mm=spacing_mm)
        if field.significant:
            return shifted_map(moved, field.at, field.sigma_mm), field.sigma_mm(moved.table_mm)
    return moved, np.full(moved.x_mm.shape, noise_mm)


def _recalibrated(camera: CameraModel, judged: DriftJudgement) -> CameraModel:
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


def _write_moved_camera(folder: RigFolder, beside: Path, camera: CameraModel, judged: DriftJudgement) -> Path:
    """Write the camera where the look found it `beside` the result; camera.json is copied to the name given back."""
    path = folder.root / CAMERA_FILE
    aside = name_aside(path)
    write_bytes(aside, read_bytes(path))
    moved = {
        "found": datetime.now(UTC).isoformat(timespec="seconds"),
        "by_mm": judged.camera.moved_mm,
        "table_shift_in_picture_px": judged.camera.seen_px,
        "sigma_px": judged.camera.sigma_px,
    }
    write_camera(beside, camera, extra={**read_camera_extra(path), "moved": moved})
    return aside


def _errors_mm(folder: RigFolder, result: Path, camera: CameraModel, look: QuickLook) -> Array:
    """(K, 2) where the dots of a look are minus where content wants them, on the table as the result knows it."""
    shift = CheckPositions(shape_of(result, camera)).shift_mm(look.table_mm)
    return look.table_mm + shift - quick_plan(folder.rig.content).table_mm[look.ids]


def drift_record(check: QuickCheck) -> DriftRecord:
    """What drift.json and `--json` say of a look."""
    judged = check.judged
    return DriftRecord.of(
        judged,
        seconds=check.seconds,
        picture=MapFigures.of(judged.picture),
        camera={
            "moved_mm": judged.camera.moved_mm,
            "turned_deg": float(np.degrees(np.linalg.norm(judged.camera.turn_rad))),
            "seen_px": judged.camera.seen_px,
            "sigma_px": judged.camera.sigma_px,
            "known": judged.camera.known,
        },
        light={
            "moved": judged.light.moved,
            "motions": [
                {
                    "part": motion.part,
                    "shift_mm": motion.shift_mm,
                    "shift_sigma_mm": motion.shift_sigma_mm,
                    "turn_deg": np.degrees(motion.turn_rad),
                    "turn_sigma_deg": np.degrees(motion.turn_sigma_rad),
                }
                for motion in judged.light.motions
            ],
            "rms_mm": judged.light.rms_mm,
            "left_rms_mm": judged.light.left_rms_mm,
            "dots": len(judged.look.ids),
            "lost": judged.look.expected - len(judged.look.ids),
        },
    )
