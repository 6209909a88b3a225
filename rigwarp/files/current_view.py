"""current_view.json: which finished view of a rig folder is live."""

from pathlib import Path
from typing import Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import CURRENT_VIEW_FILE
from rigwarp.files.runs import is_complete, run_named_in

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
    return run_named_in(
        root / CURRENT_VIEW_FILE, "view", format=FORMAT, advice=f"Make one with: rigwarp view fit {root}"
    )
