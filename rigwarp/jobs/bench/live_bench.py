"""The devices of a rig, ready to measure: flashing kept slow, the latency known, what cannot be fixed said.

And the pre-flight: all of it in `rigwarp check`, a quick one before each live scan.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.capture import CHANGES_PER_S, SynchronisedBench, synchronise
from rigwarp.capture.preflight.findings import CONTENT, SETTINGS, require_no_stop
from rigwarp.capture.preflight.look import Preflight, count_photographs, run_preflight
from rigwarp.capture.scans.frames_folder import read_capture_notes
from rigwarp.devices import Bench, DisplayChoice, OneShotCamera, open_bench
from rigwarp.errors import MeasurementError
from rigwarp.files import RigFolder, complete_runs, read_camera
from rigwarp.files.camera_file import read_sheet_height_mm
from rigwarp.files.names import CAMERA_FILE, CAPTURE_FILE, SCANS
from rigwarp.jobs.progress import Progress
from rigwarp.words import short_number


@contextmanager
def live_bench(
    progress: Progress,
    folder: RigFolder,
    *,
    display: DisplayChoice = None,
    fast: bool = False,
    raised_mm: float = 0.0,
    quick: bool = False,
    view: bool = False,
    look: bool = False,
) -> Iterator[SynchronisedBench]:
    """Open a rig's devices; each photograph then belongs to the picture that is shown.

    Parameters
    ----------
    display : number of the monitor that is the projector; None: the one of its size.
    fast : change pictures as fast as the devices can, which has to be confirmed before. Virtual rigs always do.
    raised_mm : of the board on the table; a virtual rig's table is raised by it.
    quick : take over the latency that the latest scan measured, where a few changes of the light confirm it.
    view : the rig's camera is that of its view.
    look : first the quick pre-flight, which tells what could be better.

    Raises
    ------
    DeviceError, MeasurementError
        If the devices are missing, fail, or do not see each other; or a look says that a scan would be worth nothing.
    """
    with open_bench(folder, display=display, raised_mm=raised_mm, view=view) as bench:
        if bench.camera.unlocked:
            progress.note(
                f"Nothing here fixes the camera's {_listed(bench.camera.unlocked)}: fix what changes by itself at the "
                "camera."
            )
        timed = [run for run in complete_runs(folder.root / SCANS) if (run / CAPTURE_FILE).is_file()] if quick else []
        known_max_s = read_capture_notes(timed[-1]).longest_latency_s if timed else None
        changes_per_s = None if fast else CHANGES_PER_S
        ready = synchronise(bench, np.random.default_rng(), changes_per_s=changes_per_s, known_max_s=known_max_s)
        if (latency := ready.latency) is not None:
            progress.note(
                f"From display to camera it takes {1000 * latency.median_s:.0f} ms, at most "
                f"{1000 * latency.max_s:.0f}; the camera delivers {1 / latency.frame_s:.0f} pictures a second."
            )
        if isinstance(ready.camera, OneShotCamera):
            each_s = ready.camera.settle_s + ready.camera.photo_s
            progress.note(f"The camera takes {short_number(each_s, 2)} s for each photograph.")
        if look:
            _look_first(progress, folder, ready, raised_mm)
        yield ready


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def preflight(
    progress: Progress, folder: RigFolder, bench: Bench, *, quick: bool = False, raised_mm: float = 0.0
) -> Preflight:
    """Take the pictures of the pre-flight on a bench and judge them; says nothing."""
    camera, sheet_height_mm = camera_and_sheet(folder)
    table = replace(folder.rig.table, height_mm=folder.rig.table.height_mm + raised_mm)
    with progress.stage(count_photographs(quick=quick), "Looking") as advance:
        return run_preflight(
            bench,
            replace(folder.rig, table=table),
            camera=camera,
            sheet_height_mm=sheet_height_mm + raised_mm,
            quick=quick,
            advance=advance,
        )


def _look_first(progress: Progress, folder: RigFolder, bench: Bench, raised_mm: float) -> None:
    """Tell what could be better; MeasurementError naming what would make a scan worth nothing, and what to do."""
    looked = preflight(progress, folder, bench, quick=True, raised_mm=raised_mm)
    for finding in looked.findings:
        if finding.severity == "remark" and finding.what != SETTINGS:  # of which the opened bench has told
            progress.note(f"{finding.what}: {finding.text}")
    try:
        # nearer to the mirror the light has not spread as far yet: it need not fill the content area on a board
        require_no_stop([f for f in looked.findings if not (raised_mm and f.what == CONTENT)])
    except MeasurementError as error:
        raise MeasurementError(f"{error}. To scan all the same, add --no-look") from None


def camera_and_sheet(folder: RigFolder, resolution: tuple[int, int] | None = None) -> tuple[CameraModel | None, float]:
    """The camera of camera.json, None without one of this resolution, and at what height the sheet's print lay."""
    path = folder.root / CAMERA_FILE
    usual_mm = folder.rig.table.height_mm + folder.rig.target.thickness_mm  # camera.json notes what was really there
    if not path.exists():
        return None, usual_mm
    noted_mm, camera = read_sheet_height_mm(path), read_camera(path)
    fits = resolution is None or camera.resolution == resolution
    return camera if fits else None, usual_mm if noted_mm is None else noted_mm
