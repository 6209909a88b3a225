"""A small virtual rig that every test can change: text in, rig and virtual rig out."""

from collections.abc import Callable
from typing import Any

import pytest
from perfect_rig import IDEAL

from rigwarp.rig import Rig, parse_rig
from rigwarp.simulation import VirtualRig, parse_truth

CONVEX = """
kind = "conic"
radius_mm = 100
conic_constant = 0
aperture_mm = [0, 60]
position_mm = [0, 0, 400]
"""

RIG = """
format = "rigwarp rig"
version = 1
name = "test"
[projector]
resolution = [{pw}, {ph}]
throw_ratio = 1.2
position_mm = {projector}
rotation_deg = {projector_rotation}
[mirror]
{mirror}
[table]
shape = "{table_shape}"
{table_size}
height_mm = {table_height}
[content]
shape = "circle"
diameter_mm = {content_mm}
pixels = [100, 100]
[camera]
resolution = [{cw}, {ch}]
device = "virtual"
[target]
scale = {scale}
centre_mm = {target_centre}
rotation_deg = {target_rotation}
"""


@pytest.fixture(scope="session")
def make_rig() -> Callable[..., Rig]:
    """Make a rig, with any of the values in braces changed."""

    def make(**changes: Any) -> Rig:
        values = {
            "pw": 320, "ph": 180, "projector": [0, 0, 310], "projector_rotation": [0, 0, 0], "mirror": CONVEX,
            "table_shape": "circle", "table_size": "diameter_mm = 500", "table_height": 0, "content_mm": 100,
            "cw": 480, "ch": 270,
            "scale": [1.0, 1.0], "target_centre": [0, 0], "target_rotation": 0,
        } | changes  # fmt: skip
        return parse_rig(RIG.format(**values))

    return make


@pytest.fixture(scope="session")
def make_virtual(make_rig: Callable[..., Rig]) -> Callable[..., VirtualRig]:
    """Make a virtual rig; `truth` is the text of virtual.toml, `replace` pairs of text to change in it."""

    def make(truth: str = IDEAL, replace: dict[str, str] | None = None, extra: str = "", **changes: Any) -> VirtualRig:
        for old, new in (replace or {}).items():
            assert old in truth
            truth = truth.replace(old, new)
        rig = make_rig(**changes)
        return VirtualRig(rig, parse_truth(truth + extra, rig))

    return make
