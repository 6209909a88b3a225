"""current.json: which result is live, and with it a camera that is to become camera.json in the same step.

Two files cannot be renamed at once. So current.json alone is the switch: where it names a camera, that camera belongs
to the result, and whoever opens the rig next copies it to camera.json, should the one who switched have been stopped.
"""

from pathlib import Path
from typing import Any, Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_bytes, write_json
from rigwarp.files.names import CAMERA_FILE, CURRENT_FILE
from rigwarp.files.reading import read_bytes, read_json

FORMAT: Final = "rigwarp current"
_RESULT, _CAMERA = "result", "camera"


def switch_to(root: Path, result: Path, *, camera: Path | None = None) -> None:
    """Make a result of the rig folder `root` the live one, together with a camera file inside `root`, in one step."""
    names = {_RESULT: result.resolve().relative_to(root.resolve()).as_posix()}
    if camera is not None:
        names[_CAMERA] = camera.resolve().relative_to(root.resolve()).as_posix()
    write_json(root / CURRENT_FILE, names, format=FORMAT, replace=True)
    finish_switch(root)


def finish_switch(root: Path) -> None:
    """Complete a switch that was stopped halfway; nothing where there is none. It may be done any number of times."""
    path = root / CURRENT_FILE
    if not path.is_file():
        return
    try:
        names: dict[str, Any] = read_json(path, format=FORMAT)
    except InputError:
        return  # whoever needs the live result says so; much can be done without it
    camera = names.get(_CAMERA)
    if isinstance(camera, str) and (root / camera).resolve().is_relative_to(root.resolve()):
        write_bytes(root / CAMERA_FILE, read_bytes(root / camera), replace=True)
        write_json(path, {_RESULT: names.get(_RESULT)}, format=FORMAT, replace=True)
