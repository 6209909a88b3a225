"""Arrays of numbers in JSON files: of the shape that is expected, or an InputError that says what stands there."""

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry.arrays import LARGEST, Array

_CAMERA = "rigwarp camera"


def resolution_in(
    path: Path, contents: Mapping[str, Any], key: str = "resolution", *, make_with: str = _CAMERA
) -> tuple[int, int]:
    """(width, height) in a file; InputError if it is missing or wrong."""
    value = contents.get(key)
    if not (isinstance(value, list) and len(value) == 2 and all(type(n) is int and n > 0 for n in value)):
        raise wrong_value(path, key, value, "[width, height] in pixels", make_with=make_with)
    return value[0], value[1]


def array_in(
    path: Path, contents: Mapping[str, Any], name: str, shape: tuple[int, ...], *, make_with: str = _CAMERA
) -> Array:
    """Numbers of a shape in a file; InputError if they are missing or something else."""
    words = f"{' x '.join(str(n) for n in shape)} numbers" if shape else "a number"
    value = contents.get(name)
    array = np.array(np.nan)
    if _all_numbers(value):
        with contextlib.suppress(ValueError, OverflowError):  # a ragged list, or a whole number beyond any camera
            array = np.array(value, np.float64)
    if array.shape != shape or not np.all(np.abs(array) < LARGEST):  # NaN is not, either
        raise wrong_value(path, name, value, words, make_with=make_with)
    return array


def _all_numbers(value: Any) -> bool:
    if isinstance(value, list):
        return all(_all_numbers(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def wrong_value(path: Path, key: str, value: Any, expected: str, *, make_with: str = _CAMERA) -> InputError:
    """What to say of a key of a file that holds something else than expected."""
    found = "nothing" if value is None else repr(value)[:80]
    return InputError(
        f"{path}: {key}: found {found}, expected {expected}. Correct it or make the file again with: {make_with}"
    )
