"""What interrupted commands have left in a rig folder: unfinished runs and files that were being written."""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rigwarp.errors import InputError
from rigwarp.files.atomic import TEMPORARY_ENDING
from rigwarp.files.names import RESULTS, SCANS
from rigwarp.files.runs import unfinished_runs

Kind = Literal["unfinished run", "part file"]


@dataclass(frozen=True, kw_only=True)
class Leftover:
    """A folder or file that nothing will ever read."""

    path: Path
    kind: Kind
    size_bytes: int


def leftovers(root: Path) -> list[Leftover]:
    """Everything of that kind in a rig folder. Look only while no other process writes there: see `rig_locked`."""
    runs = [run for parent in (SCANS, RESULTS) for run in unfinished_runs(root / parent)]
    parts = [
        path
        for path in sorted(root.rglob(f".*{TEMPORARY_ENDING}*"))
        if not any(path.is_relative_to(run) for run in runs)
    ]
    outer = [path for path in parts if not any(path.is_relative_to(other) for other in parts if other != path)]
    kinds: list[tuple[Path, Kind]] = [(run, "unfinished run") for run in runs] + [(part, "part file") for part in outer]
    found = []
    for path, kind in kinds:
        files = [file for file in (path, *path.rglob("*")) if file.is_file()]
        found.append(Leftover(path=path, kind=kind, size_bytes=sum(file.stat().st_size for file in files)))
    return found


def remove_leftovers(found: list[Leftover]) -> None:
    """Remove them for good.

    Raises
    ------
    InputError
        One cannot be removed.
    """
    for leftover in found:
        path = leftover.path
        try:
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)
        except OSError as error:
            raise InputError(f"{path}: cannot be removed ({error.strerror}). Remove it by hand.") from error
