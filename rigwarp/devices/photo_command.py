"""A command that takes one photograph into a file: its text, what is filled in, and how it is run."""

import os
import re
import shlex
import signal
import subprocess
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.errors import DeviceError, InputError
from rigwarp.files.pictures import PHOTO_ENDINGS, read_photo_colour
from rigwarp.files.raw_photo import read_raw_photo

PREFIX: Final = "run:"
FILE, EXPOSURE, EXPOSURE_US, GAIN = "file", "exposure_s", "exposure_us", "gain"
PLACES: Final = (FILE, EXPOSURE, EXPOSURE_US, GAIN)
PATIENCE_S: Final = 60.0
"""Longest wait for one photograph."""
_PLACE = re.compile(r"\{([A-Za-z_]\w*)\}")
_NAME = "photo"
_RAW = (".dng",)
_BEST_FIRST = (*_RAW, ".tif", ".tiff", ".png", ".jpg", ".jpeg")  # of several that one shot leaves
_END_S = 2.0
_QUOTED = 200  # characters of what a command complains of


@dataclass(frozen=True, kw_only=True)
class PhotoCommand:
    """A command as rig.toml has it.

    Attributes
    ----------
    text : all of camera.device, which is what the user agrees to.
    words : program and arguments, places to fill in among them; no shell reads them.
    """

    text: str
    words: tuple[str, ...]

    def takes(self, *places: str) -> bool:
        """Whether one of the places stands in the command."""
        return any(f"{{{place}}}" in word for place in places for word in self.words)

    def shoot(self, values: Mapping[str, str]) -> np.ndarray[Any, Any]:
        """Take a photograph: (H, W) grey or (H, W, 3) BGR, 8 or 16 bit.

        The command runs in an empty folder of its own, so that no file of the rig folder is run by its bare name.

        Raises
        ------
        DeviceError
            If it cannot be started, fails, takes longer than `PATIENCE_S`, or leaves no photograph.
        """
        with tempfile.TemporaryDirectory(prefix="rigwarp-photo-", ignore_cleanup_errors=True) as folder:
            filled = {**values, FILE: str(Path(folder) / _NAME)}
            words = [_PLACE.sub(lambda place: filled.get(place[1], place[0]), word) for word in self.words]
            said = _run(words, folder)
            return _photo(Path(folder), said)


def is_command(device: int | str) -> bool:
    """Whether camera.device is a command."""
    return isinstance(device, str) and device.lstrip().startswith(PREFIX)


def parse_command(device: str) -> PhotoCommand:
    """Read camera.device.

    Raises
    ------
    InputError
        If it is no command line, has no {file} or another place than those known, or hides something.
    """
    where = f"rig.toml: camera.device = {device!r}"
    if not device.isprintable():
        raise InputError(f"{where}: found characters that cannot be seen, expected plain text. Type it anew.")
    try:
        words = shlex.split(device.strip()[len(PREFIX) :])
    except ValueError as error:
        raise InputError(f"{where}: found no command line ({error}). Check its quotation marks.") from None
    places = {name for word in words for name in _PLACE.findall(word)}
    if FILE not in places:
        raise InputError(f"{where}: found no {{file}}, expected it where the command is told what to write.")
    known = ", ".join(f"{{{place}}}" for place in PLACES)
    if unknown := sorted(places - set(PLACES)):
        raise InputError(f"{where}: found {{{unknown[0]}}}, expected only {known}.")
    return PhotoCommand(text=device.strip(), words=tuple(words))


def _run(words: list[str], folder: str) -> str:
    """Run it to its end; what it said. It is ended, with what it has started, when it takes too long."""
    name = f"the camera's command {words[0]}"
    try:
        process = subprocess.Popen(
            words,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except OSError as error:
        raise DeviceError(
            f"{name} cannot be started ({error.strerror or error}): install it, or give its full path in rig.toml "
            "(camera.device); it runs in an empty folder"
        ) from None
    ended = False
    try:
        said, ended = process.communicate(timeout=PATIENCE_S)[0].decode("utf-8", "replace"), True
    except subprocess.TimeoutExpired:
        raise DeviceError(
            f"{name} has taken no photograph within {PATIENCE_S:g} s: try it in a terminal, check that the camera is "
            "on, awake and connected, and that no other program uses it"
        ) from None
    finally:
        if not ended:
            _end(process)
    if process.returncode != 0:
        raise DeviceError(f"{name} ended with {process.returncode}{_last_line(said)}: try it in a terminal")
    return said


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command, and whatever it started, which may be all that is left of it."""
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):  # all gone meanwhile
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    with suppress(subprocess.TimeoutExpired):  # what left the group may keep the output open
        process.communicate(timeout=_END_S)


def _last_line(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return f" ({lines[-1][:_QUOTED]})" if lines else ""


def _photo(folder: Path, said: str) -> np.ndarray[Any, Any]:
    left = [path for path in folder.rglob(f"{_NAME}*") if path.is_file() and path.stat().st_size]
    endings = (*_RAW, *PHOTO_ENDINGS)
    known = sorted((p for p in left if p.suffix.lower() in endings), key=lambda p: _BEST_FIRST.index(p.suffix.lower()))
    if not known:
        names = ", ".join(path.name for path in left)
        found = f"left {names}" if left else "left no file"
        raise DeviceError(
            f"the camera's command {found} where {{file}} says{_last_line(said)}: let it write DNG, TIFF, PNG or JPEG, "
            "with the ending behind {file}, such as {file}.jpg"
        )
    try:
        return read_raw_photo(known[0]) if known[0].suffix.lower() in _RAW else read_photo_colour(known[0])
    except InputError as error:
        raise DeviceError(f"the camera's photograph {error}") from None
