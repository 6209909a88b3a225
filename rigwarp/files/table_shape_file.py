"""table_shape.json: heights of a table that is not flat, in the folder of the result that takes them into account."""

from pathlib import Path
from typing import Any, Final

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.camera_file import CAMERA_SHAPES
from rigwarp.files.reading import array_in, read_json, resolution_in
from rigwarp.verification.quality.table_shape import TERMS, TableShape

FORMAT: Final = "rigwarp table shape"
_MAKE = "rigwarp verify --refine"
_ADVICE = f"Make it with: {_MAKE}"
_SHAPES = {
    "camera_change": (15,),
    "half_mm": (2,),
    "coefficients_mm": (len(TERMS),),
    "covariance": (15 + len(TERMS), 15 + len(TERMS)),
}
_NUMBERS = ("height_mm", "gained", "rms_mm", "bow_mm", "flat_px", "left_px", "astray_px")


def write_table_shape(path: Path, shape: TableShape) -> None:
    """Write a table's shape whole."""
    record: dict[str, Any] = {name: getattr(shape, name) for name in (*_SHAPES, *_NUMBERS)}
    record["terms"] = [list(term) for term in TERMS]
    record["camera"] = {
        "resolution": list(shape.camera.resolution),
        **{name: getattr(shape.camera, name) for name in CAMERA_SHAPES},
    }
    write_json(path, record, format=FORMAT)


def read_table_shape(path: Path) -> TableShape:
    """The shape in a file; InputError if the file is missing, damaged or foreign, or its numbers make no table."""
    contents = read_json(path, format=FORMAT, make_with=_ADVICE)
    if contents.get("terms") != [list(term) for term in TERMS]:
        raise InputError(f"{path}: found other terms of the table's height, expected {len(TERMS)} powers. {_ADVICE}")
    arrays: dict[str, Any] = {n: array_in(path, contents, n, shape, make_with=_MAKE) for n, shape in _SHAPES.items()}
    numbers: dict[str, Any] = {n: float(array_in(path, contents, n, (), make_with=_MAKE)) for n in _NUMBERS}
    if (arrays["half_mm"] <= 0.0).any():
        raise InputError(f"{path}: half_mm: found a side of no length, expected two positive numbers. {_ADVICE}")
    width, depth = (float(side) for side in arrays.pop("half_mm"))
    return TableShape(camera=_camera(path, contents), half_mm=(width, depth), **arrays, **numbers)


def _camera(path: Path, contents: dict[str, Any]) -> CameraModel:
    record = contents.get("camera")
    if not isinstance(record, dict):
        raise InputError(f"{path}: found no camera, expected the one that the shape was seen with. {_ADVICE}")
    arrays = {name: array_in(path, record, name, shape, make_with=_MAKE) for name, shape in CAMERA_SHAPES.items()}
    try:
        return CameraModel(resolution=resolution_in(path, record, make_with=_MAKE), **arrays)
    except InputError as error:
        raise InputError(f"{path}: {error}. {_ADVICE}") from error
