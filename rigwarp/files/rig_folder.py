"""A rig folder: rig.toml and the files that it names; and which result is live.

Two files cannot be renamed at once. So current.json alone is the switch between results: where it names a camera that
is to become camera.json in the same step, that camera belongs to the result, and whoever opens the rig next copies it
to camera.json, should the one who switched have been stopped.
"""

import contextlib
import hashlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_bytes, write_json
from rigwarp.files.mesh_limits import MOST_MESH_BYTES
from rigwarp.files.names import CAMERA_FILE, CURRENT_FILE, RIG_FILE
from rigwarp.files.reading import read_bytes, read_json, read_text, require_regular
from rigwarp.files.shapes import read_mesh, read_profile
from rigwarp.files.view_lens_file import read_view_lens
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import Lens, MeshShape, ProfileShape, Rig, parse_rig

CURRENT_FORMAT: Final = "rigwarp current"
_RESULT, _CAMERA = "result", "camera"


@dataclass(frozen=True, kw_only=True)
class RigFolder:
    """A rig and everything that its file refers to.

    Attributes
    ----------
    root : the folder.
    rig : the rig.
    meshes : triangle meshes by the name they have in rig.toml.
    profiles : (N, 2) r_mm, z_mm by the name they have in rig.toml.
    rig_text : rig.toml as it stands.
    rig_hash : SHA-256 over rig.toml and the files it names; changes when the design does.
    view_lens : the calibrated lens of the view's camera, where rig.toml names one.
    """

    root: Path
    rig: Rig
    meshes: dict[str, TriangleMesh]
    profiles: dict[str, Array]
    rig_text: str
    rig_hash: str
    view_lens: Lens | None = None


def open_rig(path: Path | str, *, without_projector: bool = False, without_lens: bool = False) -> RigFolder:
    """Read a rig folder, given the folder itself or its rig.toml.

    `without_projector` accepts one that has a view alone, `without_lens` leaves the view's lens unread: it may be about
    to be made.

    Raises
    ------
    InputError
        If the folder, rig.toml or a file named there is missing or wrong; or the rig has no projector and needs one.
    """
    given = Path(path)
    file = given / RIG_FILE if given.is_dir() else given
    if not file.is_file():
        raise InputError(
            f"{given}: found no {RIG_FILE} there, expected a rig folder. "
            "Give the folder that holds it, or make one with: rigwarp new DIR --like round-table"
        )
    text = read_text(file)
    rig = parse_rig(text, source=str(file))
    if not (rig.projects or without_projector):
        raise InputError(
            f"{file}: found a view and no projector, expected a projector for this. "
            "Add [projector], [mirror] and [content], or use the commands of: rigwarp view --help"
        )
    root = file.parent
    finish_switch(root)
    meshes, profiles = {}, {}
    for key, name, is_profile in _named_files(rig):
        where = f"{file}: {key}"
        _require_inside(where, name)
        with contextlib.suppress(OSError):  # what is not there is told by its reader
            require_regular(root / name, most_bytes=MOST_MESH_BYTES)
        if is_profile:
            profiles[name] = read_profile(root / name, key=where)
        elif name not in meshes:
            meshes[name] = read_mesh(root / name, key=where)
    return RigFolder(
        root=root,
        rig=rig,
        meshes=meshes,
        profiles=profiles,
        rig_text=text,
        rig_hash=_design_hash(root, rig, text),
        view_lens=None if without_lens else _view_lens(root, rig, file),
    )


def _view_lens(root: Path, rig: Rig, file: Path) -> Lens | None:
    """The calibrated lens that [view] names."""
    if rig.view is None or rig.view.lens is None:
        return None
    _require_inside(f"{file}: view.lens", rig.view.lens)
    return read_view_lens(root / rig.view.lens, resolution=rig.view.resolution)


def _require_inside(where: str, name: str) -> None:
    """A rig folder that came from somewhere else must not make rigwarp read this computer's other files."""
    if PureWindowsPath(name).anchor or PurePosixPath(name).is_absolute() or ".." in PureWindowsPath(name).parts:
        raise InputError(
            f'{where}: found "{name[:80]}", which leads out of the rig folder, expected a file in it. '
            "Copy the file into the folder and give its name."
        )


def _named_files(rig: Rig) -> list[tuple[str, str, bool]]:
    """Key path, name and whether it is a profile, of every file that rig.toml names."""
    mirrors = [("mirror", rig.mirror)] if rig.projects else []
    mirrors += [(f"view.mirror[{i}]", mirror) for i, mirror in enumerate(rig.view.mirrors if rig.view else ())]
    named = [
        (f"{where}.file", mirror.shape.file, isinstance(mirror.shape, ProfileShape))
        for where, mirror in mirrors
        if isinstance(mirror.shape, MeshShape | ProfileShape)
    ]
    return named + [(f"obstacle[{i}].file", obstacle.file, False) for i, obstacle in enumerate(rig.obstacles)]


def _design_hash(root: Path, rig: Rig, text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8"))
    for name in sorted({name for _, name, _ in _named_files(rig)}):
        digest.update(f"\0{name}\0".encode())
        digest.update(hashlib.sha256(read_bytes(root / name)).digest())
    return digest.hexdigest()


def switch_to(root: Path, result: Path, *, camera: Path | None = None) -> None:
    """Make a result of the rig folder `root` the live one, together with a camera file inside `root`, in one step."""
    names = {_RESULT: result.resolve().relative_to(root.resolve()).as_posix()}
    if camera is not None:
        names[_CAMERA] = camera.resolve().relative_to(root.resolve()).as_posix()
    write_json(root / CURRENT_FILE, names, format=CURRENT_FORMAT, replace=True)
    finish_switch(root)


def finish_switch(root: Path) -> None:
    """Complete a switch that was stopped halfway; nothing where there is none. It may be done any number of times."""
    path = root / CURRENT_FILE
    if not path.is_file():
        return
    try:
        names: dict[str, Any] = read_json(path, format=CURRENT_FORMAT)
    except InputError:
        return  # whoever needs the live result says so; much can be done without it
    camera = names.get(_CAMERA)
    if isinstance(camera, str) and (root / camera).resolve().is_relative_to(root.resolve()):
        write_bytes(root / CAMERA_FILE, read_bytes(root / camera), replace=True)
        write_json(path, {_RESULT: names.get(_RESULT)}, format=CURRENT_FORMAT, replace=True)
