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
from rigwarp.files.reading import read_json
from rigwarp.files.runs import UTC_STAMP
from rigwarp.geometry import Array

FORMAT = "rigwarp camera"
_SHAPES = {
    "matrix": (3, 3),
    "distortion": (5,),
    "R_camera_from_table": (3, 3),
    "t_camera_from_table_mm": (3,),
}
_ROUNDED_ROTATION = 2e-3  # a rotation typed with three decimals is this far from orthonormal; a wrong one is further


def write_camera(
    path: Path, camera: CameraModel, *, extra: Mapping[str, Any] | None = None, replace: bool = False
) -> None:
    """Write a camera; `extra` holds further keys (residuals, photos used), which may not hide the fixed ones."""
    contents = {
        "resolution": list(camera.resolution),
        **{name: getattr(camera, name) for name in _SHAPES},
        "covariance": camera.covariance,
    }
    clash = sorted(set(contents) & set(extra or {}))
    if clash:
        raise ValueError(f"extra keys hide the camera's own: {', '.join(clash)}")
    write_json(path, {**contents, **(extra or {})}, format=FORMAT, replace=replace)


def name_aside(path: Path) -> Path:
    """A free name beside a camera.json for what it says until now: camera-until-STAMP.json."""
    stamp = datetime.now(UTC).strftime(UTC_STAMP)
    names = (f"camera-until-{stamp}{f'-{n}' if n > 1 else ''}.json" for n in count(1))
    return next(path.with_name(name) for name in names if not path.with_name(name).exists())


def read_camera(path: Path, *, make_with: str = "") -> CameraModel:
    """The camera in a file; other keys are ignored (see `read_camera_extra`).

    A rotation that was rounded to a few decimals is replaced by the nearest true one.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, a key is missing, or the values are no camera.
    """
    contents = read_json(path, format=FORMAT, make_with=make_with)
    arrays = {name: _array(path, contents, name, shape) for name, shape in _SHAPES.items()}
    arrays["R_camera_from_table"] = _true_rotation(path, arrays["R_camera_from_table"])
    covariance = None
    if contents.get("covariance") is not None:
        covariance = _array(path, contents, "covariance", (15, 15))
    try:
        return CameraModel(resolution=_resolution(path, contents), covariance=covariance, **arrays)
    except InputError as error:
        raise InputError(f"{path}: {error}. Correct the file or make it again with: rigwarp camera") from None


def read_camera_extra(path: Path) -> dict[str, Any]:
    """The further keys of a camera file: residuals, photos used, remarks."""
    contents = read_json(path, format=FORMAT)
    own = {"resolution", "covariance", *_SHAPES}
    return {key: value for key, value in contents.items() if key not in own}


def read_sheet_height_mm(path: Path) -> float | None:
    """At what height the print of the sheet lay, table frame; None where a camera file does not tell."""
    noted = read_camera_extra(path).get("sheet_height_mm")
    return float(noted) if isinstance(noted, int | float) else None


def _resolution(path: Path, contents: Mapping[str, Any]) -> tuple[int, int]:
    value = contents.get("resolution")
    if not (isinstance(value, list) and len(value) == 2 and all(type(n) is int and n > 0 for n in value)):
        raise _wrong(path, "resolution", value, "[width, height] in pixels")
    return value[0], value[1]


def _array(path: Path, contents: Mapping[str, Any], name: str, shape: tuple[int, ...]) -> Array:
    words = f"{' x '.join(str(n) for n in shape)} numbers"
    value = contents.get(name)
    if not _all_numbers(value):
        raise _wrong(path, name, value, words)
    try:
        array = np.array(value, np.float64)
    except (ValueError, OverflowError):  # a ragged list, or a whole number beyond any camera
        raise _wrong(path, name, value, words) from None
    if array.shape != shape or not np.isfinite(array).all():
        raise _wrong(path, name, value, words)
    return array


def _all_numbers(value: Any) -> bool:
    if isinstance(value, list):
        return all(_all_numbers(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def _true_rotation(path: Path, R: Array) -> Array:
    """The rotation nearest to a rounded one, by singular value decomposition (Kabsch, 1976)."""
    left, _, right = np.linalg.svd(R)
    nearest = left @ right
    if np.linalg.det(nearest) < 0.0 or np.abs(nearest - R).max() > _ROUNDED_ROTATION:
        raise _wrong(path, "R_camera_from_table", R.tolist(), "a rotation matrix (orthonormal, determinant +1)")
    return nearest if np.abs(nearest - R).max() > 1e-12 else R


def _wrong(path: Path, key: str, value: Any, expected: str) -> InputError:
    found = "nothing" if value is None else str(value)[:80]
    return InputError(
        f"{path}: {key}: found {found}, expected {expected}. Correct it or make the file again with: rigwarp camera"
    )
