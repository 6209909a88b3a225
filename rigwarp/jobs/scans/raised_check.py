"""Whether anything moved between the scan of the table and that on a raised board: a few pictures on the bare table.

A light that moved by a tenth of a millimetre in between would pass for a mirror some tenths of a per cent flatter or
rounder, which no fit could notice. moved.json beside the raised scan keeps what was seen.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigwarp.camera.table.field_of_view import middle_mm_per_px
from rigwarp.capture import WHITE, can_look_again, moved_since
from rigwarp.devices import VIRTUAL
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder
from rigwarp.files.names import MOVED_FILE, ZONES_FILE
from rigwarp.files.records import MovedRecord
from rigwarp.jobs.bench.live_bench import camera_and_sheet, live_bench
from rigwarp.jobs.progress import NOBODY, Person, Progress
from rigwarp.jobs.scans.chosen_scans import table_scans
from rigwarp.jobs.scans.zone_scan import lit_again

_BOARD_OFF = (
    "Now take the board away without touching anything else, and press Enter: a few pictures on the bare table make "
    "sure that nothing has moved."
)


def check_unmoved(
    progress: Progress,
    folder: RigFolder,
    raised: Sequence[Path],
    *,
    display: int | None = None,
    person: Person = NOBODY,
) -> None:
    """Compare the light on the bare table with that of the latest scan of it, and keep what is seen.

    Parameters
    ----------
    raised : the run folders of a scan on a board that has just been taken.
    display : number of the projector's monitor.
    person : who takes the board off.

    Raises
    ------
    MeasurementError
        If something has moved: the scan on the board does not go with that of the table.
    """
    try:
        table = table_scans(folder, None)
    except InputError:
        table = []
    camera, _ = camera_and_sheet(folder)
    if camera is None or not table or not all(can_look_again(run) for run in table):
        progress.note("There is no live scan of the table to compare with: whether anything has moved stays unknown.")
        return
    if folder.rig.camera.device != VIRTUAL and not person.ask(_BOARD_OFF):
        progress.note("Nobody is there to take the board off: whether anything has moved stays unknown.")
        return
    with live_bench(progress, folder, display=display, quick=True) as bench:
        seen = [moved_since(run, lit_again(folder, bench, run)) for run in table]
    if not all((run / ZONES_FILE).is_file() for run in table[1:]):
        # nobody noted where the zones were known to part, and there the white of one of them ends
        seen = [{name: movement for name, movement in one.items() if name != WHITE} for one in seen]
    apart = {name: movement for one in seen for name, movement in one.items() if movement.matters}
    shift_px = max(float(np.hypot(*movement.shift_px)) for one in seen for movement in one.values())
    shift_mm = shift_px * middle_mm_per_px(camera, folder.rig.content, folder.rig.table.height_mm)
    note = MovedRecord(since=tuple(run.name for run in table), moved=bool(apart), shift_mm=shift_mm)
    for run in raised:
        note.write(run / MOVED_FILE, replace=True)
    if apart:
        listed = "; ".join(f"{name}: {movement}" for name, movement in apart.items())
        raise MeasurementError(
            f"something has moved since the scan of the table, or the light has changed ({listed}): the scan on the "
            f"board is not used with it. Is the board off the table? Else take both again, one right after the other: "
            f"rigwarp scan {folder.root}, then with --raised"
        )
    progress.note(f"Nothing has moved since the scan of the table: the light lies where it lay, to {shift_mm:.3f} mm.")
