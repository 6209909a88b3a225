"""table_shape.json: heights of a table that is not flat, in the folder of the result that takes them into account."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.reading import read_json
from rigwarp.geometry import Array
from rigwarp.verification.quality.table_shape import TERMS, TableShape

FORMAT: Final = "rigwarp table shape"
_ADVICE = "Make it with: rigwarp verify --refine"
_CAMERA = {
    "matrix": (3, 3),
    "distortion": (5,),
    "R_camera_from_table": (3, 3),
    "t_camera_from_table_mm": (3,),
}
_SHAPES = {
    "camera_change": (15,),
    "half_mm": (2,),
    "coefficients_mm": (len(TERMS),),
    "covariance": (15 + len(TERMS), 15 + len(TERMS)),
}
_NUMBERS = ("height_mm", "gained", "rms_mm", "bow_mm", "flat_px", "left_px", "astray_px")


def write_table_shape(path: Path, shape: TableShape, *, replace: bool = False) -> None:
    """Write a table's shape whole."""
    record: dict[str, Any] = {name: getattr(shape, name) for name in (*_SHAPES, *_NUMBERS)}
    record["terms"] = [list(term) for term in TERMS]
    record["camera"] = {
        "resolution": list(shape.camera.resolution),
        **{name: getattr(shape.camera, name) for name in _CAMERA},
    }
    write_json(path, record, format=FORMAT, replace=replace)


def read_table_shape(path: Path) -> TableShape:
    """The shape in a file; InputError if the file is missing, damaged or foreign, or its numbers make no table."""
    contents = read_json(path, format=FORMAT, make_with=_ADVICE)
    if contents.get("terms") != [list(term) for term in TERMS]:
        raise InputError(f"{path}: found other terms of the table's height, expected {len(TERMS)} powers. {_ADVICE}")
    arrays = {name: _array(path, contents, name, shape) for name, shape in _SHAPES.items()}
    numbers = {name: float(_array(path, contents, name, ())) for name in _NUMBERS}
    if (arrays["half_mm"] <= 0.0).any():
        raise InputError(f"{path}: half_mm: found a side of no length, expected two positive numbers. {_ADVICE}")
    half = (float(arrays["half_mm"][0]), float(arrays["half_mm"][1]))
    return TableShape(
        camera=_camera(path, contents),
        camera_change=arrays["camera_change"],
        half_mm=half,
        coefficients_mm=arrays["coefficients_mm"],
        covariance=arrays["covariance"],
        **numbers,
    )


def _camera(path: Path, contents: dict[str, Any]) -> CameraModel:
    record = contents.get("camera")
    if not isinstance(record, dict):
        raise InputError(f"{path}: found no camera, expected the one that the shape was seen with. {_ADVICE}")
    size = _array(path, record, "resolution", (2,))
    try:
        return CameraModel(
            resolution=(int(size[0]), int(size[1])),
            **{name: _array(path, record, name, shape) for name, shape in _CAMERA.items()},
        )
    except InputError as error:
        raise InputError(f"{path}: {error}. {_ADVICE}") from error


def _array(path: Path, record: dict[str, Any], name: str, shape: tuple[int, ...]) -> Array:
    try:
        array = np.array(record.get(name), float)
    except (TypeError, ValueError):
        array = np.array(np.nan)
    if array.shape != shape or not np.isfinite(array).all():
        words = " x ".join(map(str, shape)) or "one"
        raise InputError(f"{path}: {name}: found no array of {words} finite numbers, expected one. {_ADVICE}")
    return array
