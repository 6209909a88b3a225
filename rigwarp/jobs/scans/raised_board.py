"""A board on the table for a second scan: what the sheet on it says, and how the scan notes it."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import detect_board
from rigwarp.camera.table.raised_board import RaisedBoard, locate_board
from rigwarp.devices import VIRTUAL
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, interrupted_run, read_photo, read_start
from rigwarp.files.names import CAMERA_FILE, SCANS, START_FILE
from rigwarp.files.reading import sha256_of
from rigwarp.files.records import ScanSettings
from rigwarp.jobs.bench.camera_live import take_photos
from rigwarp.jobs.bench.live_bench import camera_and_sheet
from rigwarp.jobs.progress import NOBODY, Person, Progress
from rigwarp.jobs.scans.scan_runs import RAISED, RAISED_BOARD

_OFF_MM, _OFF_SHARE = 3.0, 0.1  # a ruler held to a board is right to a millimetre or two
_CAMERA = "camera_sha256"


def board_note(
    progress: Progress, folder: RigFolder, raised_mm: float, *, photo: Path | None, live: bool, person: Person = NOBODY
) -> dict[str, Any]:
    """Locate the board by a photo of the sheet on it; returns what a scan on it notes in its start.json.

    Parameters
    ----------
    raised_mm : how much higher than the table it stands by a ruler.
    photo : of the sheet on the board; None takes it now, from the rig's camera.
    live : whether a scan follows at once, for which the sheet has to be taken off.
    person : who takes it off.

    Raises
    ------
    InputError, MeasurementError
        If there is no camera.json, the sheet is not seen, or it says something else than the ruler.
    """
    camera, sheet_height_mm = camera_and_sheet(folder)
    if camera is None:
        raise InputError(
            f"{folder.root / CAMERA_FILE}: found no camera, which a raised scan needs for the board's height. Make it "
            f"first, with the sheet on the bare table: rigwarp camera {folder.root}"
        )
    if photo is None:
        photo = take_photos(progress, folder, earlier=camera, raised_mm=raised_mm, person=person).table
    view = detect_board(read_photo(photo), folder.rig.target)
    board = locate_board(view, camera, folder.rig.target, sheet_height_mm=sheet_height_mm)
    if abs(board.rise_mm - raised_mm) > max(_OFF_MM, _OFF_SHARE * raised_mm):
        raise MeasurementError(
            f"{photo}: by the sheet in it the board stands {board.rise_mm:.1f} mm above the table, --raised says "
            f"{raised_mm:g} mm. Does the sheet lie on the board, and has the camera stayed where it was since "
            f"{CAMERA_FILE} was made? If so, measure the board's height again"
        )
    slope = 1e3 * float(np.linalg.norm(board.slope))
    progress.note(
        f"The board stands {board.rise_mm:.2f} mm above the table (1-sigma {board.rise_sigma_mm:.2f}) and rises by "
        f"{slope:.1f} mm per metre, by the sheet on it."
    )
    if live and folder.rig.camera.device != VIRTUAL:
        off = "Now take the sheet off, so that the light falls onto the bare board; leave the board where it is."
        progress.note(off)
        person.ask("Press Enter when it is off.")
    return {
        RAISED: raised_mm,
        RAISED_BOARD: {
            **{name: np.asarray(value).tolist() for name, value in asdict(board).items()},
            _CAMERA: camera_sum(folder),
            "sheet_photo": photo.name,
            "sheet_photo_sha256": sha256_of(photo),
        },
    }


def board_of(run: Path, settings: ScanSettings) -> RaisedBoard:
    """The board that a raised scan noted; InputError if the note is damaged."""
    noted = settings.raised_board or {}
    try:
        pairs: dict[str, Any] = {name: _pair(noted[name]) for name in ("middle_mm", "slope", "slope_sigma")}
        rise_mm, sigma_mm, corners = float(noted["rise_mm"]), float(noted["rise_sigma_mm"]), int(noted["corners"])
        return RaisedBoard(**pairs, rise_mm=rise_mm, rise_sigma_mm=sigma_mm, corners=corners)
    except (KeyError, TypeError, ValueError):
        raise InputError(
            f"{run / 'start.json'}: settings.{RAISED_BOARD} does not tell the board's height. Scan again: rigwarp scan "
            f"{run.parent.parent} --raised MM"
        ) from None


def same_camera(folder: RigFolder, settings: ScanSettings) -> bool:
    """Whether a raised scan was taken with the camera.json that is there now."""
    noted = settings.raised_board
    return noted is not None and noted.get(_CAMERA) == camera_sum(folder)


def camera_sum(folder: RigFolder) -> str:
    """SHA-256 of camera.json."""
    return sha256_of(folder.root / CAMERA_FILE)


def raised_before(folder: RigFolder) -> float:
    """How high the board stood for the scan that was interrupted last; 0 for the bare table, or where there is none."""
    run = interrupted_run(folder.root / SCANS)
    raised_mm = read_start(run).scan.raised_mm if run is not None and (run / START_FILE).exists() else None
    return float(raised_mm or 0.0)


def refuse_raised(folder: RigFolder) -> None:
    """Raise InputError where the interrupted scan was one on a raised board: no map of the table comes from it."""
    if raised_before(folder):
        raise InputError(
            f"{folder.root}: the scan that was interrupted last was taken on a raised board, of which no picture on "
            f"the table can be made. Go on with: rigwarp scan {folder.root} --resume"
        )


def _pair(values: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    pair = np.array(values, float)
    if pair.shape != (2,) or not np.isfinite(pair).all():
        raise ValueError
    return pair
