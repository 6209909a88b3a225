"""Showing a few pictures of a scan once more: has anything moved since, or has the light changed?"""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from rigwarp.capture.photographs.averaged_camera import averaged
from rigwarp.capture.photographs.unmoved import Movement, compare
from rigwarp.capture.scans.bracket import expose, exposure_kept
from rigwarp.capture.scans.capture_file import read_capture_notes
from rigwarp.capture.scans.frames_folder import frame_name, read_scan_photo, recorded_frames
from rigwarp.devices import Bench
from rigwarp.files import read_patterns
from rigwarp.files.names import CAPTURE_FILE, FRAMES, PATTERNS_FILE
from rigwarp.geometry import Photo
from rigwarp.patterns import PatternSet, StripeFrame

WHITE = "white"


def can_look_again(run: Path) -> bool:
    """True for a finished scan that was photographed live and whose photographs are still there."""
    return taken_live(run) and recorded_frames(run) == len(read_patterns(run / PATTERNS_FILE).frames)


def taken_live(run: Path) -> bool:
    """True where a folder notes what was shown and how it was photographed."""
    return (run / PATTERNS_FILE).is_file() and (run / CAPTURE_FILE).is_file()


def moved_since(run: Path, bench: Bench) -> dict[str, Movement]:
    """What differs between a finished scan and now, in white and in the first stripes along each axis.

    Parameters
    ----------
    run : a folder for which `can_look_again` is true.
    bench : the same devices; what it lights must be what it lit then, or part of it.
    """
    patterns, notes = read_patterns(run / PATTERNS_FILE), read_capture_notes(run)
    bench = Bench(display=bench.display, camera=averaged(bench.camera, notes.average))

    def photo(index: int) -> Photo:
        return read_scan_photo(run / FRAMES / frame_name(index), bench.camera.resolution)

    with exposure_kept(bench.camera):
        expose(bench.camera, notes.exposures_s, 0)
        return movements(photo, len(patterns.frames), patterns, bench)


def movements(photo_of: Callable[[int], Photo], there: int, patterns: PatternSet, bench: Bench) -> dict[str, Movement]:
    """Compare photographs of white and of the first stripes along each axis with new ones.

    Parameters
    ----------
    photo_of : the earlier photograph of a frame.
    there : how many frames were photographed, from the first one.

    Returns
    -------
    dict
        By what was shown, in words for people.
    """
    levels = patterns.level_indices()
    shown = {WHITE: levels[max(levels)]}
    for axis in ("x", "y"):
        waves = [i for i, f in enumerate(patterns.frames) if isinstance(f, StripeFrame) and f.axis == axis]
        if waves[0] < there:
            shown[f"the stripes along {axis}"] = waves[0]
    black, white = photo_of(min(levels.values())), photo_of(levels[max(levels)])
    found = {}
    for name, index in shown.items():
        bench.display.show(patterns.picture(index))
        after = bench.camera.grab(), bench.camera.grab()
        if name == WHITE:
            found[name] = compare(white, after, black, white)
            white = np.minimum(white, after[0])  # where both times light fell
        else:
            found[name] = compare(photo_of(index), after, black, white)
    return found
