"""camera.json: lens and pose of the camera, ours or made elsewhere."""

from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.names import CAMERA_FILE
from rigwarp.files.reading import array_in, read_json, resolution_in, wrong_value
from rigwarp.files.rig_folder import RigFolder
from rigwarp.files.runs import UTC_STAMP
from rigwarp.geometry import Array

FORMAT = "rigwarp camera"
CAMERA_SHAPES = {
    "matrix": (3, 3),
    "distortion": (5,),
    "R_camera_from_table": (3, 3),
    "t_camera_from_table_mm": (3,),
}
_FARTHEST_MM = 1e9  # of a sheet from the table: anything beyond is damage
_ROUNDED_ROTATION = 2e-3  # a rotation typed with three decimals is this far from orthonormal; a wrong one is further


def write_camera(
    path: Path, camera: CameraModel, *, extra: Mapping[str, Any] | None = None, replace: bool = False
) -> None:
    """Write a camera; `extra` holds further keys (residuals, photos used), which may not hide the fixed ones."""
    contents = {
        "resolution": list(camera.resolution),
        **{name: getattr(camera, name) for name in CAMERA_SHAPES},
        "covariance": camera.covariance,
    }
    clash = sorted(set(contents) & set(extra or {}))
    if clash:
        raise ValueError(f"extra keys hide the camera's own: {', '.join(clash)}")
    write_json(path, {**contents, **(extra or {})}, format=FORMAT, replace=replace)


def name_aside(path: Path) -> Path:
    """A free name beside a file for what it says until now: camera-until-STAMP.json."""
    stamp = datetime.now(UTC).strftime(UTC_STAMP)
    names = (f"{path.stem}-until-{stamp}{f'-{n}' if n > 1 else ''}.json" for n in count(1))
    return next(path.with_name(name) for name in names if not path.with_name(name).exists())


def camera_of(folder: RigFolder) -> CameraModel:
    """The rig's calibrated camera."""
    make_with = f"Make it with: rigwarp camera {folder.root} --lens DIR --table PHOTO"
    return read_camera(folder.root / CAMERA_FILE, make_with=make_with)


def read_camera(path: Path, *, make_with: str = "") -> CameraModel:
    """The camera in a file; other keys are ignored (see `read_camera_extra`).

    A rotation that was rounded to a few decimals is replaced by the nearest true one.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, a key is missing, or the values are no camera.
    """
    contents = read_json(path, format=FORMAT, make_with=make_with)
    arrays = {name: array_in(path, contents, name, shape) for name, shape in CAMERA_SHAPES.items()}
    arrays["R_camera_from_table"] = _true_rotation(path, arrays["R_camera_from_table"])
    covariance = None
    if contents.get("covariance") is not None:
        covariance = array_in(path, contents, "covariance", (15, 15))
    try:
        return CameraModel(resolution=resolution_in(path, contents), covariance=covariance, **arrays)
    except InputError as error:
        raise InputError(f"{path}: {error}. Correct the file or make it again with: rigwarp camera") from None


def read_camera_extra(path: Path) -> dict[str, Any]:
    """The further keys of a camera file: residuals, photos used, remarks."""
    contents = read_json(path, format=FORMAT)
    own = {"resolution", "covariance", *CAMERA_SHAPES}
    return {key: value for key, value in contents.items() if key not in own}


def read_sheet_height_mm(path: Path) -> float | None:
    """At what height the print of the sheet lay, table frame; None where a camera file does not tell, or nonsense."""
    noted = read_camera_extra(path).get("sheet_height_mm")
    return float(noted) if isinstance(noted, int | float) and abs(noted) < _FARTHEST_MM else None


def _true_rotation(path: Path, R: Array) -> Array:
    """The rotation nearest to a rounded one, by singular value decomposition (Kabsch, 1976)."""
    left, _, right = np.linalg.svd(R)
    nearest = left @ right
    if np.linalg.det(nearest) < 0.0 or np.abs(nearest - R).max() > _ROUNDED_ROTATION:
        raise wrong_value(path, "R_camera_from_table", R.tolist(), "a rotation matrix (orthonormal, determinant +1)")
    return nearest if np.abs(nearest - R).max() > 1e-12 else R
