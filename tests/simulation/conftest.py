"""A small virtual rig that every test can change: text in, rig and virtual rig out."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from perfect_rig import IDEAL
from rig_text import circle, rig_text

from rigwarp.rig import Rig, parse_rig
from rigwarp.simulation import VirtualRig, parse_truth

CONVEX = """
kind = "conic"
radius_mm = 100
conic_constant = 0
aperture_mm = [0, 60]
position_mm = [0, 0, 400]
"""


@pytest.fixture(scope="session")
def make_rig() -> Callable[..., Rig]:
    """Make a rig, with any of these values changed."""

    def make(**changes: Any) -> Rig:
        values = {
            "pw": 320, "ph": 180, "projector": [0, 0, 310], "projector_rotation": [0, 0, 0], "mirror": CONVEX,
            "table_size": "diameter_mm = 500", "table_height": 0, "content_mm": 100, "cw": 480, "ch": 270,
            "scale": [1.0, 1.0], "target_centre": [0, 0], "target_rotation": 0,
        }  # fmt: skip
        assert changes.keys() <= values.keys()
        v = SimpleNamespace(**values | changes)
        text = rig_text(
            v.mirror,
            resolution=(v.pw, v.ph),
            projector=f"position_mm = {v.projector}\nrotation_deg = {v.projector_rotation}",
            table=f'shape = "circle"\n{v.table_size}\nheight_mm = {v.table_height}',
            content=f"{circle(v.content_mm)}\npixels = [100, 100]",
            more=f'[camera]\nresolution = [{v.cw}, {v.ch}]\ndevice = "virtual"\n[target]\nscale = {v.scale}\n'
            f"centre_mm = {v.target_centre}\nrotation_deg = {v.target_rotation}",
        )
        return parse_rig(text)

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
