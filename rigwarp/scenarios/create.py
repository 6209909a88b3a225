"""A rig folder made from a scenario.

A mesh mirror is not stored but computed from the closed form that its virtual.toml holds.
"""

import re
from collections.abc import Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from operator import attrgetter
from pathlib import Path
from typing import Final

from rigwarp.errors import InputError, UsageError
from rigwarp.files import stl_bytes, write_together
from rigwarp.files.atomic import TEMPORARY_ENDING, begun
from rigwarp.files.names import RIG_FILE, VIRTUAL_FILE
from rigwarp.rig import MeshShape, parse_rig

_SCENARIOS = "rigwarp.scenarios"
_SCALE = re.compile(r"^scale = .*$", re.MULTILINE)
NOT_MEASURED: Final = (
    "scale = [1.0, 1.0]                     # not measured yet: measured / nominal length along x and y"
)


def scenario_names() -> list[str]:
    """All scenarios, in alphabetical order."""
    folders = resources.files(_SCENARIOS).iterdir()
    return sorted(folder.name for folder in folders if folder.is_dir() and folder.joinpath(RIG_FILE).is_file())


def create_rig(scenario: str, folder: Path, *, measured: bool = True) -> list[Path]:
    """Make a rig folder from a scenario.

    Parameters
    ----------
    scenario : one of `scenario_names()`.
    folder : made when missing; must be empty otherwise, or hold what an earlier call has begun.
    measured : False: as long as nobody has measured the print, its scale is 1.

    Returns
    -------
    list of Path
        The files that were written.

    Raises
    ------
    UsageError
        If there is no such scenario.
    InputError
        If the folder has something in it or cannot be written to.
    """
    names = scenario_names()
    if scenario not in names:
        raise UsageError(f'found no scenario "{scenario}", expected one of: {", ".join(names)}. Choose one of them.')
    origin = resources.files(_SCENARIOS).joinpath(scenario)
    contents = {
        file.name: file.read_bytes() for file in sorted(origin.iterdir(), key=attrgetter("name")) if file.is_file()
    }
    if not measured:
        contents[RIG_FILE] = unmeasured(contents[RIG_FILE].decode("utf-8")).encode("utf-8")
    return fill(folder, contents | mesh_file(origin))


def unmeasured(rig_toml: str) -> str:
    """The file with the print's scale as long as nobody has measured the print."""
    return _SCALE.sub(NOT_MEASURED, rig_toml)


def mesh_file(origin: Traversable) -> dict[str, bytes]:
    """Name and contents of the mesh that rig.toml names, if it names one."""
    rig = parse_rig(origin.joinpath(RIG_FILE).read_text(encoding="utf-8"))
    if not isinstance(rig.mirror.shape, MeshShape):
        return {}
    from rigwarp.scenarios.tessellation import freeform_mesh  # a quarter of a second, and only meshes need it
    from rigwarp.simulation import parse_truth

    truth = parse_truth(origin.joinpath(VIRTUAL_FILE).read_text(encoding="utf-8"), rig)
    assert truth.surface is not None
    return {rig.mirror.shape.file: stl_bytes(freeform_mesh(truth.surface, seed=truth.seed))}


def fill(folder: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write a rig folder's files into a new or an empty folder, or complete what a call that was killed has begun.

    Raises
    ------
    InputError
        If it has something else in it or cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        found = [path.name for path in folder.iterdir() if not path.name.endswith(TEMPORARY_ENDING)]
    except (OSError, RecursionError) as error:  # the latter of a thousand folders in folders
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{folder}: cannot be made a folder ({reason}). Choose another place or name.") from error
    if found and not (set(found) <= set(contents) and begun(folder, contents)):
        raise InputError(f"{folder}: found files in it, expected a new or an empty folder. Choose another name.")
    last = sorted(contents, key=lambda name: name == RIG_FILE)  # a folder that lacks the rest is no rig yet
    write_together(folder, {name: contents[name] for name in last})
    return [folder / name for name in contents]
