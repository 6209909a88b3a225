"""Reading JSON and npz files that may be missing, truncated, foreign or tampered with: every fault is an InputError."""

import contextlib
import hashlib
import json
import math
import os
import stat
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry.arrays import LARGEST, Array

_MOST_FILE_BYTES = 1 << 30
_MOST_TEXT_BYTES = 32 << 20
"""Of JSON, TOML and CSV: a hundred times what is ever written, and parsed within seconds."""
_CAMERA = "rigwarp camera"
_DEEPEST = 40
_MOST_ARRAY_BYTES = 2 << 30
"""Of all arrays that are read from a file, as they come out of it: a map for 8K takes 1.7 GB."""


@dataclass(frozen=True, kw_only=True)
class Field:
    """What an array in a file must be.

    Attributes
    ----------
    kind : NumPy's kind letters that are accepted, such as "f" or "iu".
    dtype : what it is turned into.
    shape : a whole number is a fixed length, a word stands for the same length wherever it appears.
    """

    kind: str
    dtype: type
    shape: tuple[int | str, ...]


def read_bytes(path: Path, *, make_with: str = "", most_bytes: int = _MOST_FILE_BYTES) -> bytes:
    """The contents of a file; `make_with` says what to do when it is missing.

    Devices and pipes are refused before they are opened: one never ends, the other may never begin.

    Raises
    ------
    InputError
        It is missing, cannot be read, is no regular file, or is larger than `most_bytes`.
    """
    advice = make_with or "Check the path."
    try:
        require_regular(Path(path), most_bytes=most_bytes)
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: found no such file, expected one. {advice}") from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file system takes
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({reason}). {advice}") from error


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal; errors as `read_bytes`."""
    return hashlib.sha256(read_bytes(path)).hexdigest()


def require_regular(path: Path, *, most_bytes: int = _MOST_FILE_BYTES) -> None:
    """Refuse what is no file, and files that are too large to be what they say.

    Raises
    ------
    InputError
        It is a folder, a device, a pipe or a socket, or larger than `most_bytes`.
    OSError
        It is not there.
    """
    facts = os.stat(path)
    if not stat.S_ISREG(facts.st_mode):
        kind = "a folder" if stat.S_ISDIR(facts.st_mode) else "a device or pipe"
        raise InputError(f"{path}: cannot be read: found {kind}, expected a file. Check the path.")
    if facts.st_size > most_bytes:
        raise InputError(
            f"{path}: found {facts.st_size / 2**20:.0f} MiB, expected at most {most_bytes / 2**20:.0f}. "
            "Check that it is the right file."
        )


def read_text(path: Path, *, make_with: str = "") -> str:
    """The contents of a UTF-8 text file, with or without a byte-order mark.

    Raises
    ------
    InputError
        It is missing, cannot be read, or is no UTF-8.
    """
    try:
        return read_bytes(path, make_with=make_with, most_bytes=_MOST_TEXT_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: found bytes that are not UTF-8 text (at byte {error.start}), expected a text file. "
            "Save it again with the encoding UTF-8."
        ) from None


def read_json(path: Path, *, format: str, version: int = 1, make_with: str = "") -> dict[str, Any]:
    """A JSON object of the given format, without its `format` and `version`.

    Raises
    ------
    InputError
        If the file is missing, is not JSON, holds NaN or an infinity, or is of another format or version.
    """
    text = read_text(path, make_with=make_with)
    try:
        contents = json.loads(text, parse_constant=_not_a_number, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not a readable JSON file ({error}). It may be cut off: make it again.") from None
    if not isinstance(contents, dict):
        raise InputError(f'{path}: found no JSON object, expected one with format = "{format}". Make the file again.')
    if _too_deep(contents):
        raise InputError(f"{path}: found lists in lists without end, expected a plain file. Make the file again.")
    check_format(path, contents, format=format, version=version)
    return {key: value for key, value in contents.items() if key not in ("format", "version")}


def _too_deep(contents: dict[str, Any]) -> bool:
    """True for what would exhaust whoever walks through it."""
    level: list[Any] = [contents]
    for _ in range(_DEEPEST):
        inside = [child for one in level for child in (one.values() if isinstance(one, dict) else one)]
        level = [child for child in inside if isinstance(child, dict | list)]
        if not level:
            return False
    return True


def check_format(path: Path, contents: Mapping[str, Any], *, format: str, version: int) -> None:
    """Refuse another file's contents; InputError where `contents` do not carry this format and version."""
    found = contents.get("format")
    if found != format:
        raise InputError(
            f'{path}: found format {json.dumps(found)[:80]}, expected "{format}". '
            "This file was made for something else."
        )
    number = contents.get("version")
    if type(number) is not int or number != version:
        advice = "Update rigwarp." if type(number) is int and number > version else "Make the file again."
        raise InputError(f"{path}: found version {json.dumps(number)[:80]}, expected {version}. {advice}")


def read_npz(
    path: Path,
    fields: Mapping[str, Field],
    *,
    format: str,
    make_with: str = "",
    optional: Mapping[str, Field] | None = None,
) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """The named arrays of an npz file, checked and converted, and its header.

    Arrays beyond `fields` and `optional` are ignored; those of `optional` may be missing.

    Raises
    ------
    InputError
        If the file is missing, damaged, of another format, or an array is absent or of another type or shape.
    """
    if not Path(path).is_file():
        raise InputError(f"{path}: found no such file, expected one. {make_with or 'Check the path.'}")
    try:
        with open(path, "rb") as file, zipfile.ZipFile(file) as archive:
            names = {name.removesuffix(".npy") for name in archive.namelist()}
            wanted = [name for name in ("header", *fields, *(optional or ())) if name in names]
            _require_modest(path, {name: _array_bytes(archive, name) for name in wanted})
        with np.load(path, allow_pickle=False) as arrays:
            raw = {name: arrays[name] for name in wanted}
    except InputError:
        raise
    except Exception as error:  # zipfile, zlib and numpy raise a dozen kinds on damaged archives
        reason = str(error).partition("\n")[0][:120]
        raise InputError(f"{path}: not a readable npz file ({reason}). It may be cut off: make it again.") from None
    header = _header(path, raw.pop("header", None), format=format)
    there = {name: field for name, field in (optional or {}).items() if name in raw}
    return _checked(path, raw, {**fields, **there}), header


def refuse(path: Path, wrong: Mapping[str, bool], *, expected: str) -> None:
    """InputError for the first of what may be wrong with a file that is so; `expected` ends with what to do."""
    for what, is_so in wrong.items():
        if is_so:
            raise InputError(f"{path}: found {what}, expected {expected}")


def require_pixels(path: Path, found: tuple[int, ...], wanted: tuple[int, int] | None, *, of: str) -> None:
    """InputError where a file is not for pictures of the wanted (width, height) `of` a device; None: any will do."""
    if wanted not in (None, found):
        sizes = [" x ".join(map(str, size)) for size in (found, wanted or ())]
        raise InputError(f"{path}: found {sizes[0]} pixels, expected the {of}'s {sizes[1]}. Make the file again.")


def _array_bytes(archive: zipfile.ZipFile, name: str) -> int:
    """What an array will take, from the description before its contents."""
    with archive.open(f"{name}.npy") as member:
        version = np.lib.format.read_magic(member)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, _, dtype = read(member)
    return math.prod(shape) * dtype.itemsize


def _require_modest(path: Path, sizes: Mapping[str, int]) -> None:
    """Refuse arrays that would fill the memory before any of them is read."""
    if sizes.get("header", 0) > 4 * _MOST_TEXT_BYTES or sum(sizes.values()) > _MOST_ARRAY_BYTES:
        largest = max(sizes, key=lambda name: sizes[name])
        raise InputError(
            f"{path}: found arrays of {sum(sizes.values()) / 2**30:.1f} GiB, {largest} the largest, expected at most "
            f"{_MOST_ARRAY_BYTES / 2**30:.0f}. Make the file again."
        )


def _header(path: Path, array: NDArray[Any] | None, *, format: str) -> dict[str, Any]:
    if array is None or array.shape != () or array.dtype.kind != "U":
        raise InputError(f"{path}: found no header, expected a JSON string named header. Make the file again.")
    try:
        header = json.loads(str(array), parse_constant=_not_a_number, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: the header is not JSON ({error}). Make the file again.") from None
    if not isinstance(header, dict):
        raise InputError(f"{path}: the header is not a JSON object. Make the file again.")
    if _too_deep(header):
        raise InputError(f"{path}: found lists in lists without end in the header. Make the file again.")
    check_format(path, header, format=format, version=1)
    return header


def _checked(path: Path, raw: Mapping[str, NDArray[Any]], fields: Mapping[str, Field]) -> dict[str, NDArray[Any]]:
    lengths: dict[str, int] = {}
    checked: dict[str, NDArray[Any]] = {}
    for name, field in fields.items():
        array = raw.get(name)
        if array is None:
            raise InputError(f"{path}: found no array {name}, expected one. Make the file again.")
        if array.dtype.kind not in field.kind:
            raise InputError(
                f"{path}: array {name}: found type {array.dtype}, expected {np.dtype(field.dtype)}. "
                "Make the file again."
            )
        expected = [lengths.get(side, side) if isinstance(side, str) else side for side in field.shape]
        fits = [isinstance(side, str) or side == n for side, n in zip(expected, array.shape, strict=False)]
        if len(array.shape) != len(expected) or not all(fits):
            words = " x ".join(map(str, expected))
            raise InputError(f"{path}: array {name}: found shape {array.shape}, expected {words}. Make the file again.")
        lengths |= {side: n for side, n in zip(field.shape, array.shape, strict=True) if isinstance(side, str)}
        checked[name] = array.astype(field.dtype, copy=False)
    return checked


def _not_a_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is too large")
    return value


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
