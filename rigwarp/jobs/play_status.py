"""How a player that runs elsewhere is doing, by its heartbeat."""

import time
from pathlib import Path

from rigwarp.errors import DeviceError, InputError
from rigwarp.files import RigFolder
from rigwarp.files.names import HEARTBEAT_FILE
from rigwarp.files.records import HeartbeatRecord

SILENT_S = 20.0
"""Four beats."""
_LAST_S = 253402300799.0
"""The end of the year 9999, in seconds since 1970: later times cannot be written as dates."""


def player_status(folder: RigFolder, heartbeat: Path | None) -> HeartbeatRecord:
    """The last sign of life of the player that writes `heartbeat`; None: into the rig folder, as its service does.

    Raises
    ------
    InputError
        Where there is none, or none with a time.
    """
    path = folder.root / HEARTBEAT_FILE if heartbeat is None else heartbeat
    writes = f"The service writes it, and rigwarp play ... --heartbeat {path} does."
    status = HeartbeatRecord.read(path, make_with=writes)
    if status.unix_s is None or not 0.0 <= status.unix_s <= _LAST_S:
        raise InputError(f"{path}: unix_s: found no time, expected seconds since 1970. Start the player again.")
    return status


def require_alive(status: HeartbeatRecord) -> None:
    """Raise DeviceError when the last sign of life is older than a living player's can be."""
    ago_s = time.time() - (status.unix_s or 0.0)
    if not ago_s <= SILENT_S:  # NaN is none
        raise DeviceError(
            f"the player has given no sign of life for {_length(ago_s)}. Look into its log; start it again."
        )


def _length(seconds: float) -> str:
    for unit, length_s in (("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2.0 * length_s:
            return f"{seconds / length_s:.0f} {unit}"
    return f"{seconds:.0f} s"
