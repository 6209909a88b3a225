"""Ready-made rigs to start from: each is a folder here with a rig.toml, and a virtual.toml for the virtual rig.

A mesh mirror is not stored but computed from its formula by a function in `MIRRORS`.
"""

from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Final

from rigwarp.errors import InputError, UsageError
from rigwarp.files import write_bytes, write_stl
from rigwarp.geometry import TriangleMesh

MIRRORS: Final[dict[str, Callable[[], TriangleMesh]]] = {}
"""Scenario -> the mesh that becomes its mirror.stl, for scenarios with a mesh mirror."""


def scenario_names() -> list[str]:
    """All scenarios, in alphabetical order."""
    folders = resources.files(__name__).iterdir()
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
    _make_empty(folder)
    written = []
    for file in sorted(resources.files(__name__).joinpath(scenario).iterdir(), key=lambda entry: entry.name):
        if file.is_file():
            written.append(folder / file.name)
            write_bytes(written[-1], file.read_bytes())
    if scenario in MIRRORS:
        written.append(folder / "mirror.stl")
        write_stl(written[-1], MIRRORS[scenario]())
    return written


def _make_empty(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        occupied = any(folder.iterdir())
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be made a folder ({error.strerror or error}). Choose another place or name."
        ) from error
    if occupied:
        raise InputError(f"{folder}: found files in it, expected a new or an empty folder. Choose another name.")
