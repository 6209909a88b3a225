"""A rig folder made from a scenario.

A mesh mirror is not stored but computed from the closed form that its virtual.toml holds.
"""

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from rigwarp.errors import InputError, UsageError
from rigwarp.files import write_bytes, write_stl
from rigwarp.rig import MeshShape, parse_rig

_SCENARIOS = "rigwarp.scenarios"


def scenario_names() -> list[str]:
    """All scenarios, in alphabetical order."""
    folders = resources.files(_SCENARIOS).iterdir()
    return sorted(folder.name for folder in folders if folder.is_dir() and folder.joinpath("rig.toml").is_file())


def create_rig(scenario: str, folder: Path) -> list[Path]:
    """Make a rig folder from a scenario.

    Parameters
    ----------
    scenario : str
        One of `scenario_names()`.
    folder : Path
        Made when missing; must be empty otherwise.

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
    make_empty(folder)
    origin = resources.files(_SCENARIOS).joinpath(scenario)
    written = []
    for file in sorted(origin.iterdir(), key=lambda entry: entry.name):
        if file.is_file():
            written.append(folder / file.name)
            write_bytes(written[-1], file.read_bytes())
    return written + write_mesh(origin, folder)


def write_mesh(origin: Traversable, folder: Path) -> list[Path]:
    """The mesh that rig.toml names, if it names one."""
    rig = parse_rig(origin.joinpath("rig.toml").read_text(encoding="utf-8"))
    if not isinstance(rig.mirror.shape, MeshShape):
        return []
    from rigwarp.scenarios.tessellation import freeform_mesh  # a quarter of a second, and only meshes need it
    from rigwarp.simulation import parse_truth

    truth = parse_truth(origin.joinpath("virtual.toml").read_text(encoding="utf-8"), rig)
    assert truth.surface is not None
    path = folder / rig.mirror.shape.file
    write_stl(path, freeform_mesh(truth.surface, seed=truth.seed))
    return [path]


def make_empty(folder: Path) -> None:
    """Make the folder, or take an empty one.

    Raises
    ------
    InputError
        If it has something in it or cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        occupied = any(folder.iterdir())
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be made a folder ({error.strerror or error}). Choose another place or name."
        ) from error
    if occupied:
        raise InputError(f"{folder}: found files in it, expected a new or an empty folder. Choose another name.")
