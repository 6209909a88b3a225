"""Which scans a fit is made from: those of the table, and with them those on a raised board where they belong."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.camera.table.raised_board import RaisedBoard
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, complete_runs, is_complete, read_start
from rigwarp.files.names import MOVED_FILE, SCANS
from rigwarp.files.records import MovedRecord, ScanSettings
from rigwarp.jobs.scans.raised_board import board_of, same_camera

_SLOW_MM = 0.005  # the light may wander by during a scan; common practice, no source
_UNCHECKED_MM = 0.05
"""How far the light may have moved between two scans when nobody checked: a mirror 400 mm above the table that turned
by 60 microradians, a bracket that was leant against. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class RaisedRuns:
    """A scan on a raised board.

    Attributes
    ----------
    runs : its folders, one per zone.
    board : what it was taken on.
    moved_sigma_mm : 1-sigma by which the light may have moved on the table since the scan of it.
    checked : whether a look at the bare table told that; else it is assumed.
    """

    runs: list[Path]
    board: RaisedBoard
    moved_sigma_mm: float
    checked: bool


def table_scans(folder: RigFolder, stamp: str | None) -> list[Path]:
    """The run folders of one scan of the table: a single one, or one per zone. By default the latest finished one.

    Raises
    ------
    InputError
        If there is none, it is not finished, or it was taken on a raised board.
    """
    scans = folder.root / SCANS
    if stamp is not None and not is_complete(scans / stamp):
        raise InputError(f"{scans / stamp}: found no finished scan there. List them with: rigwarp check {folder.root}")
    if stamp is not None and _settings(scans / stamp).raised_mm is not None:
        raise InputError(
            f"{scans / stamp}: was taken on a raised board, expected a scan of the table. Leave --scan out: raised "
            "scans are used together with the table's."
        )
    finished = [scans / stamp] if stamp else [run for run in complete_runs(scans) if _settings(run).raised_mm is None]
    if not finished:
        raise InputError(
            f"{scans}: found no finished scan of the table, expected at least one. Run: rigwarp scan {folder.root}"
        )
    chosen = finished[-1]
    runs, missing = _together(folder, chosen)
    if missing:
        raise InputError(
            f"{chosen}: the scan of zone {missing[0]} that belongs to it is not finished. Scan again: rigwarp scan "
            f"{folder.root}"
        )
    return runs


def raised_scans(folder: RigFolder, table: Sequence[Path]) -> tuple[RaisedRuns | None, str]:
    """The latest finished scan on a raised board that goes with scans of the table, and why there is none.

    It goes with them when neither rig.toml nor camera.json has changed between the two.

    Returns
    -------
    runs : None where there is none.
    why : empty, or a sentence for people where there is one that cannot be used.
    """
    raised = [run for run in complete_runs(folder.root / SCANS) if _settings(run).raised_mm is not None]
    if not raised:
        return None, ""
    latest = raised[-1]
    runs, missing = _together(folder, latest)
    again = f"Scan again: rigwarp scan {folder.root} --raised {_settings(latest).raised_mm:g}"
    if missing:
        return None, f"the scan on the raised board of zone {missing[0]} is not finished. {again}"
    if not same_camera(folder, _settings(latest)):
        return None, f"camera.json has changed since the scan on the raised board ({latest.name}). {again}"
    if read_start(latest).rig_hash != read_start(table[0]).rig_hash:
        return None, f"rig.toml changed between the scan of the table and that on the raised board. {again}"
    moved, sigma_mm = _moved(latest, table)
    if moved:
        return None, f"something moved between the scan of the table and that on the board. {again}"
    return RaisedRuns(
        runs=runs,
        board=board_of(latest, _settings(latest)),
        moved_sigma_mm=_UNCHECKED_MM if sigma_mm is None else sigma_mm,
        checked=sigma_mm is not None,
    ), ""


def _moved(raised: Path, table: Sequence[Path]) -> tuple[bool, float | None]:
    """Whether a look at the bare table saw something moved since the scan of it; 1-sigma of the light's shift, mm.

    None where there was no such look, or not one that compared with this scan of the table.
    """
    path = raised / MOVED_FILE
    if not path.is_file():
        return False, None
    noted = MovedRecord.read(path)
    if set(noted.since) != {run.name for run in table}:
        return False, None
    if noted.moved or noted.shift_mm is None or not noted.shift_mm >= 0.0:
        return True, None
    return False, float(np.hypot(noted.shift_mm, _SLOW_MM))


def _together(folder: RigFolder, chosen: Path) -> tuple[list[Path], list[int]]:
    """The runs of a scan's group in the order of their zones, and the zones that are missing."""
    settings = _settings(chosen)
    if settings.group is None:
        return [chosen], []
    of_group = [run for run in complete_runs(folder.root / SCANS) if _settings(run).group == settings.group]
    parts = {_settings(run).zone: run for run in of_group}
    zones = [int(zone) for zone in settings.zones or ()]
    return [parts[zone] for zone in zones if zone in parts], [zone for zone in zones if zone not in parts]


def _settings(run: Path) -> ScanSettings:
    return read_start(run).scan
