"""A rig folder for somebody's own rig: a commented rig.toml with the right kind of mirror, nothing virtual in it."""

import re
from importlib import resources
from pathlib import Path
from typing import Final

import numpy as np

from rigwarp.errors import UsageError
from rigwarp.files import write_bytes, write_text
from rigwarp.files.names import RIG_FILE
from rigwarp.scenarios.create import make_empty, write_mesh

KINDS: Final = {
    "conic": "round-table",
    "profile": "round-table",
    "mesh": "freeform-desk",
    "facets": "folded-counter",
    "bent": "folded-counter",
}
"""Kind of mirror -> the scenario whose numbers it starts from."""

_PROFILE_R_MM = np.arange(0.0, 45.5, 0.5)  # the round table's paraboloid, R = 250 mm
_SCALE = re.compile(r"^scale = .*$", re.MULTILINE)
_MIRROR = re.compile(r"^\[mirror\].*?(?=^\[table\])", re.MULTILINE | re.DOTALL)
_DEVICE = re.compile(r"^device = .*$", re.MULTILINE)
_NAME = re.compile(r"^name = .*$", re.MULTILINE)
_OPENING = re.compile(r"\A(#[^\n]*\n)+")

NOT_MEASURED: Final = (
    "scale = [1.0, 1.0]                     # not measured yet: measured / nominal length along x and y"
)


def unmeasured(rig_toml: str) -> str:
    """The file with the print's scale as long as nobody has measured the print."""
    return _SCALE.sub(NOT_MEASURED, rig_toml)


def create_own_rig(kind: str, folder: Path) -> list[Path]:
    """Make a rig folder with one kind of mirror, for real devices.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    folder : Path
        Made when missing; must be empty otherwise.

    Returns
    -------
    list of Path
        The files that were written.

    Raises
    ------
    UsageError
        If there is no such kind.
    InputError
        If the folder has something in it or cannot be written to.
    """
    if kind not in KINDS:
        raise UsageError(f'found no kind of mirror "{kind}", expected one of: {", ".join(KINDS)}. Choose one of them.')
    here = resources.files("rigwarp.scenarios")
    make_empty(folder)
    text = here.joinpath(KINDS[kind], RIG_FILE).read_text(encoding="utf-8")
    own_mirror = here.joinpath("mirrors", f"{kind}.toml")
    if own_mirror.is_file():
        text = _MIRROR.sub(lambda _: own_mirror.read_text(encoding="utf-8"), text)
    text = _OPENING.sub("# Replace every number by that of your own rig. Lengths in mm, angles in degrees.\n", text)
    text = _NAME.sub('name = "My rig"', unmeasured(text))
    text = _DEVICE.sub("device = 0                             # an index, a path or a stream address", text)
    written = [folder / RIG_FILE]
    write_text(written[0], text)
    if kind == "profile":
        rows = "".join(f"{r:.1f},{r * r / 500.0:.4f}\n" for r in _PROFILE_R_MM)
        written.append(folder / "profile.csv")
        write_bytes(written[-1], ("r_mm,z_mm\n" + rows).encode("ascii"))
    if kind == "mesh":
        written += write_mesh(here.joinpath(KINDS[kind]), folder)
    return written
