"""The photographs of a scan as numbered files; and capture.json: what somebody who goes on with it has to keep."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import PHOTO_ENDINGS, read_json, read_photo, write_json
from rigwarp.files.names import CAPTURE_FILE, FRAMES
from rigwarp.files.pictures import pictures_in
from rigwarp.geometry import Photo

_DIGITS = re.compile(r"(\d+)")
_NUMBERED = re.compile(r"(\d{4})\.(png|jpg|jpeg|tif|tiff)", re.IGNORECASE)
_FORMAT = "rigwarp capture"


def frame_name(index: int) -> str:
    """The file name of a frame: 0000.png, 0001.png, ..."""
    return f"{index:04d}.png"


def recorded_frames(run: Path) -> int:
    """How many photographs a run holds, counted from 0000.png up to the first that is missing."""
    count = 0
    while (run / FRAMES / frame_name(count)).is_file():
        count += 1
    return count


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
    for path in sorted(path for path in folder.iterdir() if _NUMBERED.fullmatch(path.name)):
        other = found.setdefault(int(path.stem), path)
        if other is not path:
            raise InputError(f"{folder}: found both {other.name} and {path.name}. Remove one of them.")
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


def find_frames(folder: Path, count: int) -> list[Path]:
    """The photographs of a scan in the order of their names, whether or not they are `count`.

    Numbered like the patterns (0000.png) or from 1 on (0001.png); or as a camera names them (IMG_1234.JPG), sorted by
    the numbers in their names.

    Raises
    ------
    InputError
        If there is none, if some of those numbered like the patterns are missing, or a number occurs twice.
    """
    paths = pictures_in(folder, PHOTO_ENDINGS) if folder.is_dir() else []
    numbers = sorted(int(match.group(1)) for p in paths if (match := _NUMBERED.fullmatch(p.name)))
    if not paths or (numbers and numbers not in (list(range(len(numbers))), list(range(1, len(numbers) + 1)))):
        return read_frames(folder, count)
    if numbers:
        paths = [p for p in paths if _NUMBERED.fullmatch(p.name)]
    return sorted(paths, key=lambda p: [int(part) if part.isdigit() else part for part in _DIGITS.split(p.name)])


def read_scan_photo(path: Path, resolution: tuple[int, int]) -> Photo:
    """A photograph as grey picture of the given (width, height).

    Raises
    ------
    InputError
        If it is unreadable or has another size.
    MeasurementError
        If it is turned by 90 degrees.
    """
    photo = read_photo(path)
    if photo.shape[::-1] == resolution:
        return photo
    sizes = f"{photo.shape[1]} x {photo.shape[0]} pixels, rig.toml says camera.resolution = {list(resolution)}"
    if photo.shape == resolution:
        raise MeasurementError(
            f"{path}: the photograph is turned by 90 degrees: it has {sizes}. Turn the photographs back, and see that "
            "they are not upside down then."
        )
    raise InputError(
        f"{path}: the photograph has {sizes}. Use the photographs as the camera made them, or correct rig.toml."
    )


@dataclass(frozen=True, kw_only=True)
class CaptureNotes:
    """What is kept constant during a scan.

    Attributes
    ----------
    exposures_s : exposure time of each turn of the set; None where the camera's is unknown.
    average : photographs per frame.
    facts : for people: latency, what the camera could not be made to keep.
    """

    exposures_s: Sequence[float | None]
    average: int
    facts: Mapping[str, Any]

    @property
    def longest_latency_s(self) -> float | None:
        """From display to camera; None where none was measured."""
        latency = self.facts.get("latency")
        longest = latency.get("max_s") if isinstance(latency, Mapping) else None
        return float(longest) if isinstance(longest, int | float) and longest > 0 else None


def write_capture_notes(run: Path, notes: CaptureNotes) -> None:
    """Write a run's capture.json."""
    contents = {"exposures_s": list(notes.exposures_s), "average": notes.average, **notes.facts}
    write_json(run / CAPTURE_FILE, contents, format=_FORMAT)


def read_capture_notes(run: Path) -> CaptureNotes:
    """Back from `write_capture_notes`; InputError if the file is missing or damaged."""
    path = run / CAPTURE_FILE
    contents = read_json(path, format=_FORMAT)
    try:
        exposures = tuple(None if s is None else float(s) for s in contents["exposures_s"])
        average = int(contents["average"])
    except (KeyError, TypeError, ValueError, OverflowError):
        raise InputError(f"{path}: found no usable exposures_s and average. Begin a new scan.") from None
    facts = {key: value for key, value in contents.items() if key not in ("exposures_s", "average")}
    return CaptureNotes(exposures_s=exposures, average=average, facts=facts)
