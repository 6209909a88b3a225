"""Going on with a scan that was interrupted, if nothing has moved since."""

from collections.abc import Callable
from pathlib import Path

from rigwarp.capture.photographs.averaged_camera import averaged
from rigwarp.capture.scans.bracket import expose, exposure_kept
from rigwarp.capture.scans.capture_file import read_capture_notes
from rigwarp.capture.scans.frame_writer import FrameWriter
from rigwarp.capture.scans.frames_folder import frame_name, read_scan_photo, recorded_frames
from rigwarp.capture.scans.look_again import movements, taken_live
from rigwarp.capture.scans.record import Recorded, record_rest, require_resolution
from rigwarp.decode import Decoder
from rigwarp.devices import Bench
from rigwarp.errors import MeasurementError
from rigwarp.files import read_patterns
from rigwarp.files.names import FRAMES, PATTERNS_FILE
from rigwarp.geometry import Photo
from rigwarp.patterns import PatternSet


def can_resume(run: Path) -> bool:
    """True when an interrupted scan holds enough to go on with: its patterns, its settings, and its uniform frames."""
    return taken_live(run) and recorded_frames(run) >= _first_shape(read_patterns(run / PATTERNS_FILE))


def resume_scan(run: Path, bench: Bench, *, advance: Callable[[], None]) -> Recorded:
    """Go on at the first missing frame of an interrupted scan.

    White and the first stripes that are there are shown once more and compared with their photographs. The last
    photograph is taken again: the device that failed may have been failing then.

    Parameters
    ----------
    run : a folder for which `can_resume` is true.
    advance : called once for each frame that is there, and for each that is photographed.

    Raises
    ------
    MeasurementError
        If something has moved or the light has changed.
    DeviceError
        As in `record_scan`.
    """
    patterns, notes = read_patterns(run / PATTERNS_FILE), read_capture_notes(run)
    there = max(_first_shape(patterns), recorded_frames(run) - 1)
    require_resolution(bench, patterns)
    bench = Bench(display=bench.display, camera=averaged(bench.camera, notes.average))
    decoder = Decoder(patterns)
    photos = [read_scan_photo(run / FRAMES / frame_name(i), bench.camera.resolution) for i in range(there)]
    with exposure_kept(bench.camera), FrameWriter() as writer:
        expose(bench.camera, notes.exposures_s, 0)
        _require_unmoved(photos, patterns, bench)
        for photo in photos:
            decoder.add(photo)
            advance()
        record_rest(run, patterns, bench, there, writer, decoder, notes.exposures_s, advance)
    return Recorded(patterns=patterns, decoder=decoder)


def _first_shape(patterns: PatternSet) -> int:
    """The first frame after the uniform ones."""
    return max(patterns.level_indices().values(), default=-1) + 1


def _require_unmoved(photos: list[Photo], patterns: PatternSet, bench: Bench) -> None:
    found = movements(photos.__getitem__, len(photos), patterns, bench)
    moved = [f"{name}: {movement}" for name, movement in found.items() if movement.matters]
    if moved:
        raise MeasurementError(
            f"something has moved since the scan was interrupted, or the light has changed ({'; '.join(moved)}): put "
            "it back and try again, or begin a new scan without --resume"
        )
