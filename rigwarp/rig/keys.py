"""The words of rig.toml beside those of the model: tables, and keys that no field has (names are checked by them)."""

from typing import Final

from rigwarp.rig.model import (
    ConicShape,
    FacetsShape,
    MeshShape,
    Mirror,
    Obstacle,
    ProfileShape,
    Projector,
    Sheet,
    Target,
    View,
)
from rigwarp.rig.toml_fields import meanings_of

TOP_LEVEL: Final = {
    "format": 'the name of this file format, always "rigwarp rig"',
    "version": "the version of this file format, always 1",
    "name": "a name for reports and windows",
    "projector": "the table [projector]",
    "mirror": "the table [mirror]",
    "obstacle": "one table [[obstacle]] for each part that blocks light",
    "table": "the table [table], the surface that is lit",
    "content": "the table [content], the canvas that content fills",
    "camera": "the table [camera]",
    "target": "the table [target], the printed sheet",
    "tolerance": "the table [tolerance], what counts as good",
    "measured": "one table [[measured]] for each length measured on the built rig",
    "view": "the table [view], the installation's own camera that looks at the table through mirrors",
}


def _optical(what: str) -> dict[str, str]:
    """Where a projector or camera stands and looks."""
    return {
        "position_mm": "the centre of projection in the table frame, [x, y, z]",
        "rotation_deg": f"the angles of R_table_from_{what} = Rz Ry Rx about x, y and z, [x, y, z]",
        "aim_mm": "the point in the table frame that the optical axis goes through, [x, y, z]",
        "roll_deg": "the turn about the optical axis, only together with aim_mm",
    }


def _mounted(whose: str, what: str) -> dict[str, str]:
    return {
        "position_mm": f"the origin of {whose} own frame in the table frame, [x, y, z]",
        "rotation_deg": f"the angles of R_table_from_{what} = Rz Ry Rx about x, y and z, [x, y, z]",
    }


PROJECTOR: Final = {**_optical("projector"), **meanings_of(Projector)}
MIRROR: Final = {
    "kind": '"mesh", "conic", "profile" or "facets"',
    **_mounted("the mirror's", "mirror"),
    **meanings_of(Mirror),
}
MIRROR_KINDS: Final = {
    "mesh": meanings_of(MeshShape),
    "conic": meanings_of(ConicShape),
    "profile": meanings_of(ProfileShape),
    "facets": {**meanings_of(FacetsShape), **meanings_of(Sheet)},
}
OBSTACLE: Final = {**meanings_of(Obstacle), **_mounted("its", "obstacle")}
AREA_SIZES: Final = {
    "circle": {"diameter_mm": "the diameter of the circle"},
    "rectangle": {"size_mm": "the sides along x and y, [w, h]"},
}
TARGET: Final = {"kind": '"charuco"', **meanings_of(Target)}
VIEW: Final = {**_optical("camera"), **meanings_of(View)}

MEASURED_LENGTHS: Final = (
    "projector to mirror vertex",
    "projector to mirror vertex, sideways",
    "projector to table",
    "mirror vertex to table",
)
"""The lengths that can be measured, between the projector's centre of projection, the origin of the mirror's own frame,
and the table's surface; `sideways` is the horizontal distance."""

DICTIONARY_SIZES: Final = {
    **{f"DICT_{bits}X{bits}_{size}": size for bits in (4, 5, 6, 7) for size in (50, 100, 250, 1000)},
    "DICT_ARUCO_ORIGINAL": 1024,
    **{f"DICT_APRILTAG_{name}": size for name, size in (("16h5", 30), ("25h9", 35), ("36h10", 2320), ("36h11", 587))},
    **{f"DICT_APRILTAG_{name}": size for name, size in (("16H5", 30), ("25H9", 35), ("36H10", 2320), ("36H11", 587))},
    "DICT_ARUCO_MIP_36h12": 250,
    "DICT_ARUCO_MIP_36H12": 250,
}
"""OpenCV's predefined marker dictionaries (OpenCV 5.0) and how many different markers each holds."""
