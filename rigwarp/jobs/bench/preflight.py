"""The pre-flight as commands use it: all of it in `rigwarp check`, a quick one before each live scan."""

from dataclasses import replace

from rigwarp.camera import CameraModel
from rigwarp.capture.preflight.findings import CONTENT, SETTINGS, require_no_stop
from rigwarp.capture.preflight.look import Preflight, count_photographs, run_preflight
from rigwarp.devices import Bench
from rigwarp.errors import MeasurementError
from rigwarp.files import RigFolder, read_camera
from rigwarp.files.camera_file import read_sheet_height_mm
from rigwarp.files.names import CAMERA_FILE
from rigwarp.jobs.progress import Progress


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


def preflight_before_scan(
    progress: Progress, folder: RigFolder, bench: Bench, *, wanted: bool = True, raised_mm: float = 0.0
) -> Preflight | None:
    """The quick pre-flight: tells what could be better, and refuses a scan that would be worth nothing.

    None, and nothing is done, where it is not `wanted`. `raised_mm` is that of a board on the table.

    Raises
    ------
    MeasurementError
        Naming what stops the scan and what to do about it.
    """
    if not wanted:
        return None
    looked = preflight(progress, folder, bench, quick=True, raised_mm=raised_mm)
    for finding in looked.findings:
        if finding.severity == "remark" and finding.what != SETTINGS:  # of which the opened bench has told
            progress.note(f"{finding.what}: {finding.text}")
    try:
        # nearer to the mirror the light has not spread as far yet: it need not fill the content area on a board
        require_no_stop([f for f in looked.findings if not (raised_mm and f.what == CONTENT)])
    except MeasurementError as error:
        raise MeasurementError(f"{error}. To scan all the same, add --no-look") from None
    return looked


def camera_and_sheet(folder: RigFolder) -> tuple[CameraModel | None, float]:
    """The camera of camera.json, and at what height the sheet's print lay."""
    path = folder.root / CAMERA_FILE
    usual_mm = folder.rig.table.height_mm + folder.rig.target.thickness_mm  # camera.json notes what was really there
    if not path.exists():
        return None, usual_mm
    noted_mm = read_sheet_height_mm(path)
    return read_camera(path), usual_mm if noted_mm is None else noted_mm
