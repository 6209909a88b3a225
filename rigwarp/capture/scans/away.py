"""Scans away from the machine: patterns into a folder, photographs out of it (design of the folder: see the README)."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rigwarp.capture.scans.frames_folder import find_frames, frame_name, read_scan_photo
from rigwarp.capture.scans.record import Recorded
from rigwarp.decode import Decoder, WrongPhotographs, order_of
from rigwarp.errors import InputError
from rigwarp.files import make_folder, read_bytes, read_patterns, write_bytes, write_patterns, write_picture
from rigwarp.files.names import FRAMES, PATTERN_PICTURES, PATTERNS_FILE, ZONES_FILE
from rigwarp.geometry import BoolArray, Photo
from rigwarp.patterns import PatternSet
from rigwarp.rig import Rig


def export_patterns(
    folder: Path, patterns: PatternSet, *, advance: Callable[[], None], lit: BoolArray | None = None
) -> list[Path]:
    """Write DIR/patterns.json and DIR/patterns/NNNN.png, 8-bit grey at native size, in the order they are shown.

    Parameters
    ----------
    lit : (H, W) pixels that may shine, but for pictures of all zones; None: all.

    Raises
    ------
    InputError
        If the folder already holds patterns: they may belong to photographs taken with them.
    """
    if (folder / PATTERNS_FILE).exists() or (folder / PATTERN_PICTURES).exists():
        raise InputError(f"{folder}: already holds exported patterns. Choose a new folder.")
    make_folder(folder / PATTERN_PICTURES)
    written = []
    for index in range(len(patterns.frames)):
        path = folder / PATTERN_PICTURES / frame_name(index)
        write_picture(path, patterns.picture(index) if lit is None else patterns.of_zone(index, lit))
        written.append(path)
        advance()
    write_patterns(folder / PATTERNS_FILE, patterns)
    return written


@dataclass(frozen=True, kw_only=True)
class Imported:
    """Photographs taken elsewhere, read; `mended` says in words what was put right."""

    recorded: Recorded
    mended: str = ""


def import_frames(source: Path, run: Path, rig: Rig, *, advance: Callable[[], None], mend: bool = False) -> Imported:
    """Copy DIR/patterns.json and the photographs in DIR/frames into a run folder, unchanged, and read them.

    Only what patterns.json says counts: which set, periods and exposures the photographs show. They are taken in the
    order of their names, and get the numbers of their patterns.

    Parameters
    ----------
    mend : put photographs that are mixed up, or there twice, right.

    Raises
    ------
    InputError
        If something is missing, unreadable, or not of this rig's resolutions.
    MeasurementError
        If the photographs show hardly any pattern, or other patterns than their own (`WrongPhotographs`).
    """
    patterns = read_patterns(source / PATTERNS_FILE)
    if patterns.resolution != rig.projector.resolution:
        raise InputError(
            f"{source / PATTERNS_FILE}: the patterns are {patterns.resolution[0]} x {patterns.resolution[1]} pixels, "
            f"rig.toml says projector.resolution = {list(rig.projector.resolution)}. Export the patterns of this rig."
        )
    paths = find_frames(source / FRAMES, len(patterns.frames))
    photos = []
    for path in paths:
        photos.append(read_scan_photo(path, rig.camera.resolution))
        advance()
    numbers, mended = _in_order(source, photos, paths, patterns, mend=mend)
    decoder = Decoder(patterns)
    write_patterns(run / PATTERNS_FILE, patterns)
    make_folder(run / FRAMES, fresh=True)
    for index, number in enumerate(numbers):
        name = Path(frame_name(index)).with_suffix(paths[number].suffix.lower())
        decoder.add(photos[number])
        write_bytes(run / FRAMES / name, read_bytes(paths[number]))
    return Imported(recorded=Recorded(patterns=patterns, decoder=decoder), mended=mended)


def _in_order(
    source: Path, photos: Sequence[Photo], paths: Sequence[Path], patterns: PatternSet, *, mend: bool
) -> tuple[list[int], str]:
    """Which photograph shows each pattern, and what had to be put right for it, in words."""
    numbers = list(range(len(photos)))
    # of several zones each has its own 0012.png
    folder = f"{source.name}/" if (source / ZONES_FILE).is_file() else ""
    labels = [folder + path.name for path in paths]
    alike = all(photo.shape == photos[0].shape and photo.dtype == photos[0].dtype for photo in photos)
    if len(patterns.exposures) == 1:
        wholes = [(numbers, patterns)]
    else:
        parts = [patterns.of_exposure(exposure) for exposure in patterns.exposures]
        wholes = [(indices, part) for part, indices in parts] if len(photos) == len(patterns.frames) else []
    found, told = list(numbers), []
    for indices, part in wholes if alike else []:
        order = order_of([photos[i] for i in indices], part)
        if order is None or order.right or not order.certain:
            continue
        wrong = WrongPhotographs(order, [labels[i] for i in indices], one_of_several=bool(folder))
        if order.mended is None or not mend:
            raise wrong.with_advice("--mend takes them in the right order" if order.mended is not None else "")
        told.append(wrong.what)
        shown = [indices[n] for n in order.mended]
        found = shown if len(wholes) == 1 else [shown[indices.index(i)] if i in indices else i for i in found]
    if len(found) != len(patterns.frames):
        raise InputError(
            f"{paths[0].parent}: found {len(photos)} photographs, expected {len(patterns.frames)}, one per pattern. "
            "Take away what does not belong there, or take the missing ones again."
        )
    return found, "; ".join(told)
