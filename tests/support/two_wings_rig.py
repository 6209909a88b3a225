"""The two-wing view of the closed-form check values: a camera at (0, 0, 100) under a fold at z 400.

The wings rise outwards by 15 degrees. A flat wing is a pinhole at the camera's mirror image,
C' = C - 2((C - P0).n)n; everything else follows from it.
"""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig import Rig, parse_rig

FOCAL_PX = 1400.0
CENTRE_PX = np.array([959.5, 539.5])
EYE_MM = np.array([0.0, 0.0, 100.0])
FOLD_MM = 400.0
RISE_RAD = np.radians(15.0)


def rig_toml(*, resolution: tuple[int, int] = (1920, 1080), rise_deg: float = 15.0, more: str = "") -> str:
    """A rig with a view alone, both wings in rig.toml by themselves; pixels scale with the resolution."""
    share = resolution[0] / 1920
    top = 400.0 * np.tan(np.radians(rise_deg))
    wings = "".join(
        f"""
[[view.mirror]]
kind = "facets"
position_mm = [0.0, 0.0, 400.0]
[[view.mirror.facet]]
corners_mm = [[0.0, -300.0, 0.0], [0.0, 300.0, 0.0], [{s * 400.0}, 300.0, {top}], [{s * 400.0}, -300.0, {top}]]
"""
        for s in (1, -1)
    )
    return f"""
format = "rigwarp rig"
version = 1
[table]
shape = "rectangle"
size_mm = [3000.0, 1600.0]
[view]
resolution = [{resolution[0]}, {resolution[1]}]
focal_px = {FOCAL_PX * share}
position_mm = [0.0, 0.0, 100.0]
rotation_deg = [0.0, 0.0, 0.0]
{more}{wings}"""


def two_wings(**how) -> Rig:
    """The rig."""
    return parse_rig(rig_toml(**how))


def seen_by(pixels_px: Array, side: int) -> tuple[Array, Array]:
    """(N, 2) places and leans of pixels over the right (+1) or left (-1) wing, by the wing's virtual pinhole."""
    normal = np.array([-side * np.sin(RISE_RAD), 0.0, np.cos(RISE_RAD)])
    eye = EYE_MM - 2.0 * ((EYE_MM - [0.0, 0.0, FOLD_MM]) @ normal) * normal
    rays = np.column_stack([(pixels_px - CENTRE_PX) / FOCAL_PX, np.ones(len(pixels_px))])
    off = rays - 2.0 * (rays @ normal)[:, None] * normal
    lean = -off[:, :2] / off[:, 2:]
    return eye[:2] + eye[2] * lean, lean
