"""Small rigs for tests of the numeric rooms, in closed form."""

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.rig import Rig, parse_rig

_CONVEX = """
format = "rigwarp rig"
version = 1
name = "Test table"
[projector]
resolution = [640, 360]
throw_ratio = 1.2
position_mm = [0.0, -32.0, 403.0]
aim_mm = [0.0, 60.0, 480.0]
position_tolerance_mm = 3.0
rotation_tolerance_deg = 1.0
[mirror]
MIRROR
position_tolerance_mm = 1.0
rotation_tolerance_deg = 0.5
[table]
shape = "circle"
diameter_mm = 500
[content]
shape = "circle"
diameter_mm = 480
pixels = [540, 540]
[camera]
resolution = [960, 540]
device = "virtual"
[target]
kind = "charuco"
squares = [10, 7]
square_mm = 36.0
marker_mm = 27.0
dictionary = "DICT_5X5_250"
[tolerance]
content_p95_mm = 0.5
figure_rms_um = 50
"""

_CONIC = """kind = "conic"
radius_mm = 190.0
conic_constant = -1.0
aperture_mm = [0.0, 45.0]
position_mm = [0.0, 60.0, 480.0]
rotation_deg = [-28.6, 0.0, 0.0]"""

_FLAT = """kind = "facets"
position_mm = [0.0, 60.0, 480.0]
rotation_deg = [-28.6, 0.0, 0.0]
[[mirror.facet]]
corners_mm = [[-120, -120, 0], [120, -120, 0], [120, 120, 0], [-120, 120, 0]]"""


def convex_rig() -> Rig:
    """A convex paraboloid that spreads a 640 x 360 picture over a 500 mm table."""
    return parse_rig(_CONVEX.replace("MIRROR", _CONIC))


def flat_rig() -> Rig:
    """A flat mirror in the same place: the map is a homography."""
    before, after = _CONVEX.split("MIRROR")
    facet = _FLAT.index("[[mirror.facet]]")
    tolerances, rest = after.split("[table]")
    return parse_rig(before + _FLAT[:facet] + tolerances + _FLAT[facet:] + "\n[table]" + rest)


def overhead_camera(covariance: np.ndarray | None = None) -> CameraModel:
    """A perfect camera 1000 mm above the middle of the table, its picture's right along +x."""
    return CameraModel(
        resolution=(960, 540),
        matrix=np.array([[950.0, 0.0, 479.5], [0.0, 950.0, 269.5], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 1000.0]),
        covariance=covariance,
    )
