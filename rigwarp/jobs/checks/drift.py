"""A quick look: what has moved since the last verification, and a re-registration where that suffices."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.devices import DisplayChoice
from rigwarp.errors import MeasurementError
from rigwarp.files import RigFolder, current_result, make_current, read_map, read_map_light, rig_locked
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import CAMERA_FILE, DRIFT_FILE, MAP_FILE
from rigwarp.files.records import DriftRecord, MapFigures
from rigwarp.geometry import Array, Photo
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.quick_look import (
    BenchLooker,
    Looker,
    light_model_of,
    prewarp_of,
    quick_frames,
    read_state,
    state_of,
    store_state,
)
from rigwarp.jobs.checks.reregister import corrected_prewarp, motion_note, recalibrated, write_moved_camera
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.derived_result import write_derived
from rigwarp.jobs.results.shaped_table import CheckPositions, shape_of
from rigwarp.rig import Rig
from rigwarp.verification import DriftJudgement, QuickLook, judge_drift, quick_plan, read_quick
from rigwarp.verification.dots.judge import ErrorFigures, error_figures, nearer_now
from rigwarp.verification.verdict import judge_errors

_COMMAND = "verify --quick --reregister"


@dataclass(frozen=True, kw_only=True)
class Reregistered:
    """What came of a re-registration.

    Attributes
    ----------
    result : the folder that is current now.
    kept : False where the corrected warp was no better: then everything stays as it was.
    picture : the dots through the corrected warp; those of the look where no warp was made.
    camera_aside : where the old camera.json was put; None where the camera has not moved.
    seconds : of computing.
    """

    result: Path
    kept: bool
    picture: ErrorFigures
    camera_aside: Path | None
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
    photos, picture = check.photos, judged.picture
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
            if not nearer_now(judged.look.ids, before, look.ids, errors):
                seconds = time.monotonic() - start - shown_s
                return _outcome(check, kept=False, picture=picture, aside=None, seconds=seconds)
        camera, aside, beside = camera_of(folder), None, None
        if "camera" in judged.findings:
            camera = recalibrated(camera, judged)
            beside = run / CAMERA_FILE
            aside = write_moved_camera(folder, beside, camera, judged)
        if not judge_errors(picture, folder.rig).failures:  # else there would be nothing good to compare with later
            store_state(folder, run, state_of(folder, run, photos, camera, looker.exposure_s))
        make_current(folder.root, run, camera=beside)
    seconds = time.monotonic() - start - shown_s
    return _outcome(check, kept=True, picture=picture, aside=aside, seconds=seconds, run=run)


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
    table_map, _ = read_map(check.result / MAP_FILE, resolution=folder.rig.projector.resolution)
    note = {"reregistered": motion_note(check.judged)}
    if check.judged.light.moved == "nothing":
        old = prewarp_of(check.result)
        return write_derived(folder, check.result, table_map, old, command=_COMMAND, note=note)
    state = read_state(folder, check.result)
    corrected = corrected_prewarp(
        folder,
        table_map,
        light_model_of(folder, check.result, state),
        check.judged,
        light=read_map_light(check.result / MAP_FILE),
        old=prewarp_of(check.result),
    )
    return write_derived(
        folder,
        check.result,
        corrected.table_map,
        corrected.prewarp,
        command=_COMMAND,
        note=note,
        more_sigma_mm=corrected.sigma_mm,
    )


def _errors_mm(folder: RigFolder, result: Path, camera: CameraModel, look: QuickLook) -> Array:
    """(K, 2) where the dots of a look are minus where content wants them, on the table as the result knows it."""
    shift = CheckPositions(shape_of(result, camera)).shift_mm(look.table_mm)
    return look.table_mm + shift - quick_plan(folder.rig.content).table_mm[look.ids]


def _outcome(
    check: QuickCheck,
    *,
    kept: bool,
    picture: ErrorFigures,
    aside: Path | None,
    seconds: float,
    run: Path | None = None,
) -> Reregistered:
    done = Reregistered(result=run or check.result, kept=kept, picture=picture, camera_aside=aside, seconds=seconds)
    replace(drift_record(check), reregistration=outcome_record(done)).write(check.result / DRIFT_FILE, replace=True)
    return done


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


def outcome_record(done: Reregistered) -> dict[str, Any]:
    """What drift.json and `--json` say of a re-registration."""
    return {
        "result": done.result,
        "kept": done.kept,
        "picture": vars(done.picture),
        "camera_kept_aside": done.camera_aside,
        "seconds": done.seconds,
    }
