"""A tiny rig whose projector is a monitor of a virtual desktop, seen by a network camera."""

import json
import shutil
from pathlib import Path

from small_rig import make_small_rig

from rigwarp.devices import open_virtual
from rigwarp.files import open_rig

SHARE = 0.25  # of the scenario's pixels along each side: 320 x 180 projected, 480 x 270 photographed


def make_virtual_rig(root: Path) -> Path:
    """The rig as a virtual one, its camera known without error: at so few pixels no sheet can be detected."""
    make_small_rig(root, share=SHARE)
    camera = open_virtual(open_rig(root)).true_camera()
    (root / "camera.json").write_text(json.dumps(camera), encoding="utf-8")
    return root


def copy_with_camera(virtual: Path, root: Path, device: str) -> Path:
    """A copy that is no virtual rig: its camera is a device."""
    root.mkdir()
    shutil.copy(virtual / "camera.json", root)
    text = (virtual / "rig.toml").read_text(encoding="utf-8")
    changed = text.replace('device = "virtual"', f'device = "{device}"')
    assert changed != text
    (root / "rig.toml").write_text(changed, encoding="utf-8")
    return root
