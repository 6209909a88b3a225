"""current_view.json: which finished view of a rig folder is live."""

from pathlib import Path
from typing import Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import CURRENT_VIEW_FILE
from rigwarp.files.reading import read_json
from rigwarp.files.runs import is_complete

FORMAT: Final = "rigwarp current view"


def make_view_current(root: Path, run: Path) -> None:
    """Make a finished run in `views` the live view of the rig folder `root`, in one step.

    Raises
    ------
    InputError
        If the run is not finished or does not lie in the rig folder.
    """
    if not is_complete(run) or not run.resolve().is_relative_to(root.resolve()):
        raise InputError(f"{run}: found no finished run of {root}, expected one. Make it with: rigwarp view fit {root}")
    name = run.resolve().relative_to(root.resolve()).as_posix()
    write_json(root / CURRENT_VIEW_FILE, {"view": name}, format=FORMAT, replace=True)


def current_view(root: Path) -> Path:
    """The folder of the view that is live.

    Raises
    ------
    InputError
        If there is none, or if current_view.json names something that is no finished run inside the rig folder.
    """
    file = root / CURRENT_VIEW_FILE
    advice = f"Make one with: rigwarp view fit {root}"
    name = read_json(file, format=FORMAT, make_with=advice).get("view")
    run = root / name if isinstance(name, str) and name and "\0" not in name else None
    if run is None or not run.resolve().is_relative_to(root.resolve()) or not is_complete(run):
        raise InputError(f"{file}: found view {str(name)[:80]!r}, expected a finished run in this folder. {advice}")
    return run
