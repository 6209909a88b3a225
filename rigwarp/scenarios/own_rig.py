"""A rig folder for somebody's own rig: a commented rig.toml with the right kind of mirror, nothing virtual in it."""

import re
from importlib import resources
from pathlib import Path

import numpy as np

from rigwarp.defaults import KINDS
from rigwarp.errors import UsageError
from rigwarp.files.names import RIG_FILE
from rigwarp.scenarios.create import fill, mesh_file, unmeasured

_PROFILE_R_MM = np.arange(0.0, 45.5, 0.5)  # the round table's paraboloid, R = 250 mm
_MIRROR = re.compile(r"^\[mirror\].*?(?=^\[table\])", re.MULTILINE | re.DOTALL)
_DEVICE = re.compile(r"^device = .*$", re.MULTILINE)
_NAME = re.compile(r"^name = .*$", re.MULTILINE)
_OPENING = re.compile(r"\A(#[^\n]*\n)+")


def create_own_rig(kind: str, folder: Path) -> list[Path]:
    """Make a rig folder with a mirror of one of `KINDS`, for real devices; folder and files as in `create_rig`.

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
    text = here.joinpath(KINDS[kind], RIG_FILE).read_text(encoding="utf-8")
    own_mirror = here.joinpath("mirrors", f"{kind}.toml")
    if own_mirror.is_file():
        text = _MIRROR.sub(lambda _: own_mirror.read_text(encoding="utf-8"), text)
    text = _OPENING.sub("# Replace every number by that of your own rig. Lengths in mm, angles in degrees.\n", text)
    text = _NAME.sub('name = "My rig"', unmeasured(text))
    text = _DEVICE.sub("device = 0                             # an index, a path or a stream address", text)
    contents = {RIG_FILE: text.encode("utf-8")}
    if kind == "profile":
        rows = "".join(f"{r:.1f},{r * r / 500.0:.4f}\n" for r in _PROFILE_R_MM)
        contents["profile.csv"] = ("r_mm,z_mm\n" + rows).encode("ascii")
    if kind == "mesh":
        contents |= mesh_file(here.joinpath(KINDS[kind]))
    return fill(folder, contents)
