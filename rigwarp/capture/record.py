"""Showing pictures and photographing each one; the frames of a scan folder."""

import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from rigwarp.devices import Bench, Frame, Photo
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import read_photo, write_patterns, write_picture
from rigwarp.patterns import PatternSet

FRAMES: Final = "frames"
PATTERNS_FILE: Final = "patterns.json"
_NUMBERED = re.compile(r"(\d{4})\.(png|jpg|jpeg|tif|tiff)", re.IGNORECASE)


def frame_name(index: int) -> str:
    """The file name of a frame: 0000.png, 0001.png, ..."""
    return f"{index:04d}.png"


def photograph(bench: Bench, pictures: Iterable[Frame], *, advance: Callable[[], None]) -> Iterator[Photo]:
    """Show each picture and photograph it; `advance` is called after each one."""
    for picture in pictures:
        bench.display.show(picture)
        photo = bench.camera.grab()
        advance()
        yield photo


def record_scan(run: Path, patterns: PatternSet, bench: Bench, *, advance: Callable[[], None]) -> list[Photo]:
    """Show a pattern set, photograph it and keep patterns.json and the frames in a run folder.

    Raises
    ------
    DeviceError
        If the display does not have the resolution of the patterns.
    """
    if bench.display.resolution != patterns.resolution:
        raise DeviceError(
            f"the display has {bench.display.resolution[0]} x {bench.display.resolution[1]} pixels, the rig file's "
            f"projector {patterns.resolution[0]} x {patterns.resolution[1]}: set the projector's native resolution"
        )
    write_patterns(run / PATTERNS_FILE, patterns)
    (run / FRAMES).mkdir()
    photos = []
    pictures = (patterns.picture(index) for index in range(len(patterns.frames)))
    for index, photo in enumerate(photograph(bench, pictures, advance=advance)):
        write_picture(run / FRAMES / frame_name(index), photo)
        photos.append(photo)
    return photos


def read_frames(folder: Path, count: int) -> list[Path]:
    """The files of frames 0 .. count - 1 in a folder.

    Raises
    ------
    InputError
        If one is missing, there is one too many, or a number occurs twice.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: found no such folder, expected {count} photographs {frame_name(0)} and so on.")
    found: dict[int, Path] = {}
    for path in sorted(folder.iterdir()):
        match = _NUMBERED.fullmatch(path.name)
        if match is None:
            continue
        number = int(match.group(1))
        if number in found:
            raise InputError(f"{folder}: found both {found[number].name} and {path.name}. Remove one of them.")
        found[number] = path
    missing = [number for number in range(count) if number not in found]
    if missing:
        listed = ", ".join(f"{n:04d}" for n in missing[:6]) + (" ..." if len(missing) > 6 else "")
        raise InputError(
            f"{folder}: {len(missing)} of {count} photographs are missing ({listed}), expected one per pattern, "
            "named like the pattern: 0000.png, or .jpg or .tif. Take the missing ones again."
        )
    surplus = sorted(number for number in found if number >= count)
    if surplus:
        raise InputError(
            f"{folder}: found photograph {surplus[0]:04d}, but the patterns end at {count - 1:04d}. "
            "Number the photographs like the patterns they show."
        )
    return [found[number] for number in range(count)]


def read_photos(paths: Iterable[Path], resolution: tuple[int, int]) -> list[Photo]:
    """Photographs as grey pictures, all of the given (width, height).

    Raises
    ------
    InputError
        If one is unreadable or has another size.
    """
    photos = []
    for path in paths:
        photo = read_photo(path)
        if photo.shape[::-1] != resolution:
            raise InputError(
                f"{path}: the photograph has {photo.shape[1]} x {photo.shape[0]} pixels, rig.toml says "
                f"camera.resolution = [{resolution[0]}, {resolution[1]}]. Use the photographs as the camera made them, "
                "or correct rig.toml."
            )
        photos.append(photo)
    return photos
