"""A small virtual rig with a concave sphere: one table height leaves its radius open, against its distance."""

import json
import re
from pathlib import Path

import numpy as np
from small_rig import make_small_rig

from rigwarp.devices import open_virtual
from rigwarp.files import open_rig

_RIG = {
    "resolution = [640, 360]": "resolution = [288, 162]",
    "position_mm = [0.0, -32.0, 403.0]": "position_mm = [0.0, -91.925, 322.865]",  # 120 mm from the vertex
    "aim_mm = [0.0, 60.0, 480.0]": "aim_mm = [0.0, 0.0, 400.0]",
    "radius_mm = 250.0": "radius_mm = 100.0",
    "conic_constant = -1.0": "conic_constant = 0.0",
    "aperture_mm = [0.0, 45.0]": "aperture_mm = [0.0, 50.0]",
    "position_mm = [0.0, 60.0, 480.0]": "position_mm = [0.0, 0.0, 400.0]",
    "rotation_deg = [-28.6, 0.0, 0.0]": "rotation_deg = [155.0, 0.0, 0.0]",  # halfway from lens to table
    "position_tolerance_mm = 3.0": "position_tolerance_mm = 2.0",
    "position_tolerance_mm = 1.0": "position_tolerance_mm = 2.0",
}
_SIGMA = np.array([0.3, 0.3, 0.4, 0.4, 1e-3, 5e-3, 5e-5, 5e-5, 5e-3, 5e-5, 5e-5, 5e-5, 0.03, 0.03, 0.1])
"""Of focal lengths, principal point (px), distortion, turn (rad) and shift (mm): places to some 0.05 mm."""


def make_concave_rig(root: Path) -> Path:
    """A rig whose mirror is 1 % too flat and whose raised board stands 0.7 mm too high and askew.

    Case A of the reference values: R = 100, folded by 50 degrees, projector 120 mm away, table 400 mm below.
    """
    make_small_rig(root)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    for before, after in _RIG.items():
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    (root / "rig.toml").write_text(text, encoding="utf-8")
    truth = (root / "virtual.toml").read_text(encoding="utf-8")
    begin, end = truth.index("[[built.zernike]]"), truth.index("[projector]")  # its other errors and its dent
    truth = truth[:begin] + truth[end:]
    truth = re.sub(r"radius_percent = .*", "radius_percent = 1.0", truth)
    truth = re.sub(r"astigmatism_um = .*", "astigmatism_um = 8.0", truth)
    truth = truth.replace("[room]", "[room]\nboard_height_error_mm = 0.7\nboard_tilt_deg = [0.15, -0.1]")
    (root / "virtual.toml").write_text(truth, encoding="utf-8")
    give_true_camera(root)
    return root


def give_true_camera(root: Path) -> None:
    """A camera.json with the truth and a covariance such as a calibration has, which saves calibrating it."""
    camera = open_virtual(open_rig(root)).true_camera()
    camera["covariance"] = np.diag(_SIGMA**2).tolist()
    (root / "camera.json").write_text(json.dumps(camera), encoding="utf-8")
