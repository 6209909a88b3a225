"""Scans away from the machine: patterns into a folder, photographs out of it (design of the folder: see the README)."""

from collections.abc import Callable
from pathlib import Path

from rigwarp.capture.scans.frames_folder import frame_name, read_frames, read_scan_photo
from rigwarp.capture.scans.record import Recorded
from rigwarp.decode import Decoder
from rigwarp.errors import InputError
from rigwarp.files import read_bytes, read_patterns, write_bytes, write_patterns, write_picture
from rigwarp.files.names import FRAMES, PATTERN_PICTURES, PATTERNS_FILE
from rigwarp.patterns import PatternSet
from rigwarp.rig import Rig


def export_patterns(folder: Path, patterns: PatternSet, *, advance: Callable[[], None]) -> list[Path]:
    """Write DIR/patterns.json and DIR/patterns/NNNN.png, 8-bit grey at native size, in the order they are shown.

    Raises
    ------
    InputError
        If the folder already holds patterns: they may belong to photographs taken with them.
    """
    if (folder / PATTERNS_FILE).exists() or (folder / PATTERN_PICTURES).exists():
        raise InputError(f"{folder}: already holds exported patterns. Choose a new folder.")
    try:
        (folder / PATTERN_PICTURES).mkdir(parents=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be made ({error.strerror or error}). Choose another folder.") from None
    written = []
    for index in range(len(patterns.frames)):
        path = folder / PATTERN_PICTURES / frame_name(index)
        write_picture(path, patterns.picture(index))
        written.append(path)
        advance()
    write_patterns(folder / PATTERNS_FILE, patterns)
    return written


def import_frames(source: Path, run: Path, rig: Rig, *, advance: Callable[[], None]) -> Recorded:
    """Copy DIR/patterns.json and DIR/frames/NNNN.* into a run folder, unchanged, and read them.

    Only what patterns.json says counts: which set, periods and exposures the photographs show.

    Raises
    ------
    InputError
        If something is missing, unreadable, or not of this rig's resolutions.
    MeasurementError
        If the photographs show hardly any pattern.
    """
    patterns = read_patterns(source / PATTERNS_FILE)
    if patterns.resolution != rig.projector.resolution:
        raise InputError(
            f"{source / PATTERNS_FILE}: the patterns are {patterns.resolution[0]} x {patterns.resolution[1]} pixels, "
            f"rig.toml says projector.resolution = {list(rig.projector.resolution)}. Export the patterns of this rig."
        )
    paths = read_frames(source / FRAMES, len(patterns.frames))
    decoder = Decoder(patterns)
    write_patterns(run / PATTERNS_FILE, patterns)
    (run / FRAMES).mkdir()
    for path in paths:
        decoder.add(read_scan_photo(path, rig.camera.resolution))
        write_bytes(run / FRAMES / path.name.lower(), read_bytes(path))
        advance()
    return Recorded(patterns=patterns, decoder=decoder)
