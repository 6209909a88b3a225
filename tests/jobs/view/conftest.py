"""A rig whose two wings are flat and hang as designed, with photographs of a printed sheet, rendered in closed form."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from two_wings import make_rig, sheet_light, small_wings

from rigwarp.files import open_rig

PLACES = {
    "first": ((0, 0), 0.0),
    "turned": ((60, 20), 3.3),
    "left": ((-150, -10), 1.5),
    "right": ((150, 0), 0.3),
    "elsewhere": ((20, -30), 0.8),
}
"""Middle and turn of the sheet in each photograph."""


@pytest.fixture(scope="session")
def sheet_rig(tmp_path_factory):
    root = make_rig(tmp_path_factory.mktemp("sheets") / "rig", scale=2)
    target = open_rig(root, without_projector=True).rig.view.target
    wings, noise = small_wings(2), np.random.default_rng(3)
    for name, (centre, turn) in PLACES.items():
        light = sheet_light(replace(target, centre_mm=np.array(centre, float), rotation_rad=turn))
        photo = cv2.GaussianBlur(wings.photograph(light), (0, 0), 0.6) + noise.normal(0, 1.5, wings.size[::-1])
        cv2.imwrite(str(root / f"{name}.png"), np.clip(photo, 0, 255).astype(np.uint8))
    return root
