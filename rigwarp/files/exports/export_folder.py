"""Export folders: filled under a temporary name, and there whole or not at all."""

import glob
import hashlib
import os
import secrets
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from rigwarp.errors import InputError
from rigwarp.files.atomic import TEMPORARY_ENDING, exchange, write_json
from rigwarp.files.names import EXPORT_FILE
from rigwarp.files.reading import read_json

FORMAT: Final = "rigwarp export"
_ASIDE_ENDING: Final = ".old"


@contextmanager
def new_export(path: Path, about: Mapping[str, Any], *, replace: bool = False) -> Iterator[Path]:
    """A folder to be filled inside the `with` block; it takes its name when the block ends well.

    It gets export.json: `about`, and the SHA-256 of each file.

    Parameters
    ----------
    path : the folder to make; its parent must exist.
    about : what the export is and was made from, as JSON values.
    replace : allow an export of this name to be replaced; nothing else ever is.

    Raises
    ------
    InputError
        If something is in the way that may not be replaced, or the folder cannot be written.
    """
    path = Path(path)
    _put_back(path)
    _check_free(path, replace=replace)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}{TEMPORARY_ENDING}")
    try:
        try:
            temporary.mkdir()
            yield temporary
            hashes = {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in sorted(temporary.iterdir())}
            write_json(temporary / EXPORT_FILE, {**about, "files": hashes}, format=FORMAT)
            _take_name(temporary, path)
        except OSError as error:
            raise InputError(
                f"{path}: cannot be written ({error.strerror or error}). "
                "Check that the folder above it exists and may be written to, and that the disk has space."
            ) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _put_back(path: Path) -> None:
    """Give an export its name again that somebody was killed while replacing."""
    aside = sorted(path.parent.glob(f".{glob.escape(path.name)}.*{TEMPORARY_ENDING}{_ASIDE_ENDING}"))
    if aside and not os.path.lexists(path):
        os.rename(aside[-1], path)


def _check_free(path: Path, *, replace: bool) -> None:
    """InputError unless nothing is there, or an export that holds nothing else and may be replaced."""
    if not os.path.lexists(path):
        return
    if path.is_dir() and not path.is_symlink() and not any(path.iterdir()):
        return  # an empty folder holds nothing that could be lost
    if not replace:
        raise InputError(
            f"{path}: found something that is already there, expected nothing. Add --replace, or choose another --out."
        )
    advice = "Move it away, or choose another --out."
    try:
        listed = read_json(path / EXPORT_FILE, format=FORMAT).get("files")
    except InputError:
        raise InputError(f"{path}: found no export of rigwarp, and nothing else is ever replaced. {advice}") from None
    known = {EXPORT_FILE, *(listed if isinstance(listed, dict) else ())}
    foreign = sorted(child.name for child in path.iterdir() if child.name not in known)
    if foreign:
        raise InputError(f"{path}: found {foreign[0]}, which is no part of the export, beside it. {advice}")


def _take_name(temporary: Path, path: Path) -> None:
    """Give the finished folder its name; an older export is removed last."""
    if not os.path.lexists(path):
        os.rename(temporary, path)
        return
    if exchange(temporary, path):  # the older one is removed with the temporary folder
        return
    # without such a call there is a moment in which nothing has the name: see _put_back
    aside = temporary.with_name(f"{temporary.name}{_ASIDE_ENDING}")
    os.rename(path, aside)
    try:
        os.rename(temporary, path)
    except BaseException:  # Ctrl-C included: there is always one of the two
        os.rename(aside, path)
        raise
    shutil.rmtree(aside, ignore_errors=True)
