"""Files written whole or not at all: temporary name in the same folder, fsync, rename; no silent overwriting."""

import contextlib
import ctypes
import errno
import glob
import json
import os
import secrets
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rigwarp.errors import InputError

_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
TEMPORARY_ENDING = ".part"
"""Ending of files that are being written; no reader ever looks at one."""
Contents = bytes | memoryview | Callable[[BinaryIO], None]


def write_bytes(path: Path, data: Contents, *, replace: bool = False, private: bool = False) -> None:
    """Write a file whole.

    Parameters
    ----------
    path : its folder must exist.
    data : bytes, or a function that writes them to a file
        The whole contents.
    replace : allow a file of this name to be replaced; a reader sees the old contents or the new ones, never a mixture.
    private : nobody but its owner may ever read it.

    Raises
    ------
    InputError
        If the file is already there and `replace` is false, or if it cannot be written.
    """
    path = Path(path)
    if not replace and os.path.lexists(path):
        raise _already_there(path)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}{TEMPORARY_ENDING}")
    try:
        _write_through(temporary, data, private=private)
        _take_name(temporary, path, replace=replace)
        _sync_folder(path.parent)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        with contextlib.suppress(OSError):  # on a read-only disk it would take the place of the error that counts
            temporary.unlink()


def make_folder(path: Path, *, fresh: bool = False) -> None:
    """Make a folder and those above it; one that is there is fine, unless it has to be `fresh`.

    Raises
    ------
    FileExistsError
        If a fresh one is there already.
    InputError
        If it cannot be made.
    """
    try:
        Path(path).mkdir(parents=True, exist_ok=not fresh)
    except FileExistsError:
        raise
    except RecursionError:  # a thousand folders in folders
        raise _cannot_write(path, OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG))) from None
    except OSError as error:
        raise _cannot_write(path, error) from error


def write_text(path: Path, text: str, *, replace: bool = False) -> None:
    """Write a UTF-8 text file whole; see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), replace=replace)


def write_together(folder: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write files that belong together, each whole; what a call that was killed has left is completed.

    Raises
    ------
    InputError
        If the names are taken by anything else; then nothing is written.
    """
    taken = [name for name in contents if os.path.lexists(folder / name)]
    if taken and not begun(folder, contents):
        raise InputError(
            f"{folder}: found {', '.join(taken)}, expected no such file. Name another folder, or move the old ones "
            "away."
        )
    for name in [name for name in contents if name not in taken]:
        write_bytes(folder / name, contents[name])
    for part in _parts(folder, contents):
        with contextlib.suppress(OSError):
            part.unlink()
    return [folder / name for name in contents]


def begun(folder: Path, contents: Mapping[str, bytes]) -> bool:
    """True where some of these files are in a folder, as they are to be, and a call to write all of them was killed."""
    there = [folder / name for name in contents if os.path.lexists(folder / name)]
    same = all(path.is_file() and path.read_bytes() == contents[path.name] for path in there)
    return same and (0 < len(there) < len(contents) or bool(_parts(folder, contents)))


def _parts(folder: Path, names: Iterable[str]) -> list[Path]:
    """What killed calls have left of files that were to have these names."""
    return [part for name in names for part in folder.glob(f".{glob.escape(name)}.*{TEMPORARY_ENDING}")]


def write_json(
    path: Path,
    contents: Mapping[str, Any],
    *,
    format: str,
    version: int = 1,
    replace: bool = False,
    private: bool = False,
) -> None:
    """Write a JSON file whole, with its `format` and `version` first; see `write_bytes`.

    NumPy numbers and arrays become numbers and lists; NaN, which JSON does not have, becomes null.
    """
    plain = {"format": format, "version": version, **{str(key): plain_json(value) for key, value in contents.items()}}
    text = json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    # a file name that is no UTF-8 comes as lone surrogates, whose backslash form is JSON again
    write_bytes(path, text.encode("utf-8", "backslashreplace"), replace=replace, private=private)


def write_npz(
    path: Path,
    arrays: Mapping[str, ArrayLike],
    *,
    format: str,
    header: Mapping[str, Any] | None = None,
    replace: bool = False,
) -> None:
    """Write arrays and a `header` (a JSON string that starts with format and version) whole; see `write_bytes`."""
    if "header" in arrays:
        raise ValueError("the array name 'header' is taken by the file's own header")
    described = {"format": format, "version": 1, **plain_json(dict(header or {}))}
    text = json.dumps(described, ensure_ascii=False, allow_nan=False)
    plain: dict[str, Any] = {name: _plain_array(name, array) for name, array in arrays.items()}
    # straight into the file: a 4K map would fill half a gigabyte of memory once more
    write_bytes(path, lambda file: np.savez(file, header=np.array(text), **plain), replace=replace)


def _plain_array(name: str, values: ArrayLike) -> NDArray[Any]:
    array = np.asarray(values)
    if array.dtype.hasobject:  # savez would pickle it, and no reader opens a pickle
        raise ValueError(f"array {name}: Object arrays cannot be written")
    return array


def plain_json(value: Any) -> Any:
    """Plain Python numbers, lists, dicts and text from NumPy values, tuples and paths; NaN and infinities give None."""
    if isinstance(value, Mapping):
        return {str(key): plain_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_json(item) for item in value]
    if isinstance(value, np.ndarray | np.generic):
        return plain_json(value.tolist())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, Path):
        return value.as_posix()
    return value


def _write_through(path: Path, data: Contents, *, private: bool = False) -> None:
    """Write a new file and wait until the disk has it."""
    with open(path, "xb", opener=(lambda name, flags: os.open(name, flags, 0o600)) if private else None) as file:
        if callable(data):
            data(file)
        else:
            file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _take_name(temporary: Path, path: Path, *, replace: bool) -> None:
    """Give the finished file its name, without a moment in which a second writer could be overwritten."""
    if replace:
        os.replace(temporary, path)
        return
    try:
        os.link(temporary, path)  # unlike a rename it fails when the name is taken
    except FileExistsError:
        raise _already_there(path) from None
    except OSError:  # a file system without hard links, such as the FAT of a memory card
        if path.exists():
            raise _already_there(path) from None
        os.rename(temporary, path)


def exchange(first: Path, second: Path) -> bool:
    """Let two files or folders swap their names in one step; False, and nothing done, where the system cannot.

    Linux's renameat2(2) with RENAME_EXCHANGE, which Python does not offer.
    """
    try:
        renameat2 = ctypes.CDLL(None).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    here = ctypes.c_int(_AT_FDCWD)
    old, new = os.fsencode(os.path.abspath(first)), os.fsencode(os.path.abspath(second))
    return int(renameat2(here, old, here, new, ctypes.c_uint(_RENAME_EXCHANGE))) == 0


def _sync_folder(folder: Path) -> None:
    """Make the new name itself durable; Windows cannot open folders and does not need it."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(
        f"{path}: cannot be written ({error.strerror or error}). "
        "Check that the folder exists and may be written to, and that the disk has space."
    )


def _already_there(path: Path) -> InputError:
    return InputError(
        f"{path}: found a file that is already there, expected none. Move it away, or choose another name."
    )
