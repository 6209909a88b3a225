"""Showing pictures and photographing each one; the frames of a scan folder."""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from rigwarp.capture.frame_writer import FrameWriter
from rigwarp.decode import Decoder, blur_from_stripes
from rigwarp.devices import Bench, Frame, Photo
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import read_photo, write_patterns
from rigwarp.patterns import LevelFrame, PatternSet, PhaseFrame

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


@dataclass(frozen=True, kw_only=True)
class Recorded:
    """A scan whose photographs are all there: what was shown, and the decoder that has taken them."""

    patterns: PatternSet
    decoder: Decoder


def record_scan(
    run: Path,
    patterns: PatternSet,
    bench: Bench,
    *,
    advance: Callable[[], None],
    adapt: Callable[[float], PatternSet] | None = None,
) -> Recorded:
    """Show a pattern set, photograph it and keep patterns.json and the frames in a run folder.

    The photographs go to the decoder as they come; the files are written meanwhile.

    Parameters
    ----------
    adapt : makes the set for a measured blur (sigma, projector pixels). It is asked after the uniform frames and two
        stripe frames, and must begin with the same uniform frames. Without it the set is shown as it is.

    Raises
    ------
    DeviceError
        If the display does not have the resolution of the patterns.
    MeasurementError
        If the camera sees hardly anything of them.
    """
    if bench.display.resolution != patterns.resolution:
        raise DeviceError(
            f"the display has {bench.display.resolution[0]} x {bench.display.resolution[1]} pixels, the rig file's "
            f"projector {patterns.resolution[0]} x {patterns.resolution[1]}: set the projector's native resolution"
        )
    (run / FRAMES).mkdir()
    with FrameWriter() as writer:
        leading = _leading_levels(patterns) if adapt else 0
        first: list[Photo] = []
        for index, photo in enumerate(_photographs(patterns, range(leading), bench, advance)):
            writer.write(run / FRAMES / frame_name(index), photo)
            first.append(photo)
        if adapt:
            patterns = _adapted(patterns, first, bench, adapt)
        write_patterns(run / PATTERNS_FILE, patterns)
        decoder = Decoder(patterns)
        for photo in first:
            decoder.add(photo)
        rest = range(leading, len(patterns.frames))
        for index, photo in zip(rest, _photographs(patterns, rest, bench, advance), strict=True):
            writer.write(run / FRAMES / frame_name(index), photo)
            decoder.add(photo)
    return Recorded(patterns=patterns, decoder=decoder)


def _photographs(patterns: PatternSet, indices: range, bench: Bench, advance: Callable[[], None]) -> Iterator[Photo]:
    return photograph(bench, (patterns.picture(index) for index in indices), advance=advance)


def _leading_levels(patterns: PatternSet) -> int:
    """How many uniform frames the set begins with."""
    return next((i for i, f in enumerate(patterns.frames) if not isinstance(f, LevelFrame)), len(patterns.frames))


def _adapted(
    patterns: PatternSet, levels: list[Photo], bench: Bench, adapt: Callable[[float], PatternSet]
) -> PatternSet:
    """The set for the blur that two opposite stripe frames show."""
    period_px = max(patterns.phase_indices("x"))
    pair = tuple(PhaseFrame(axis="x", period_px=period_px, step=step, steps=4) for step in (0, 2))
    stripes = list(photograph(bench, map(replace(patterns, frames=pair).picture, range(2)), advance=lambda: None))
    codes = [frame.level for frame in patterns.frames[: len(levels)] if isinstance(frame, LevelFrame)]
    low, high = patterns.light_range
    seen = dict(zip(codes, levels, strict=True))
    adapted = adapt(blur_from_stripes(seen, (stripes[0], stripes[1]), period_px, high - low))
    if adapted.frames[: len(levels)] != patterns.frames[: len(levels)]:
        raise ValueError("an adapted pattern set begins with the same uniform frames")
    return adapted


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


def read_scan_photo(path: Path, resolution: tuple[int, int]) -> Photo:
    """A photograph as grey picture of the given (width, height).

    Raises
    ------
    InputError
        If it is unreadable or has another size.
    """
    photo = read_photo(path)
    if photo.shape[::-1] != resolution:
        raise InputError(
            f"{path}: the photograph has {photo.shape[1]} x {photo.shape[0]} pixels, rig.toml says "
            f"camera.resolution = [{resolution[0]}, {resolution[1]}]. Use the photographs as the camera made them, "
            "or correct rig.toml."
        )
    return photo
