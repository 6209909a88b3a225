"""A rig folder: rig.toml and the files that it names."""

import contextlib
import hashlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from rigwarp.errors import InputError
from rigwarp.files.mesh_limits import MOST_MESH_BYTES
from rigwarp.files.names import RIG_FILE
from rigwarp.files.reading import read_bytes, read_text, require_regular
from rigwarp.files.shapes import read_mesh, read_profile
from rigwarp.files.switch import finish_switch
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.rig import MeshShape, ProfileShape, Rig, parse_rig


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
    """

    root: Path
    rig: Rig
    meshes: dict[str, TriangleMesh]
    profiles: dict[str, Array]
    rig_text: str
    rig_hash: str


def open_rig(path: Path | str) -> RigFolder:
    """Read a rig folder, given the folder itself or its rig.toml.

    Raises
    ------
    InputError
        If the folder, rig.toml or a file named there is missing or wrong.
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
        root=root, rig=rig, meshes=meshes, profiles=profiles, rig_text=text, rig_hash=_design_hash(root, rig, text)
    )


def _require_inside(where: str, name: str) -> None:
    """A rig folder that came from somewhere else must not make rigwarp read this computer's other files."""
    if PureWindowsPath(name).anchor or PurePosixPath(name).is_absolute() or ".." in PureWindowsPath(name).parts:
        raise InputError(
            f'{where}: found "{name[:80]}", which leads out of the rig folder, expected a file in it. '
            "Copy the file into the folder and give its name."
        )


def _named_files(rig: Rig) -> list[tuple[str, str, bool]]:
    """Key path, name and whether it is a profile, of every file that rig.toml names."""
    shape = rig.mirror.shape
    named = []
    if isinstance(shape, MeshShape | ProfileShape):
        named.append(("mirror.file", shape.file, isinstance(shape, ProfileShape)))
    return named + [(f"obstacle[{i}].file", obstacle.file, False) for i, obstacle in enumerate(rig.obstacles)]


def _design_hash(root: Path, rig: Rig, text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8"))
    for name in sorted({name for _, name, _ in _named_files(rig)}):
        digest.update(f"\0{name}\0".encode())
        digest.update(hashlib.sha256(read_bytes(root / name)).digest())
    return digest.hexdigest()
