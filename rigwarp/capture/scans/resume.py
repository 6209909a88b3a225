"""Going on with an interrupted scan, and looking at one again: has anything moved since, or the light changed?"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.capture.photographs.agreement import cell_means
from rigwarp.capture.photographs.borrowed_camera import averaged
from rigwarp.capture.scans.bracket import expose, exposure_kept
from rigwarp.capture.scans.frames_folder import frame_name, read_capture_notes, read_scan_photo, recorded_frames
from rigwarp.capture.scans.record import FrameWriter, Recorded, record_rest, require_resolution
from rigwarp.decode import Decoder
from rigwarp.devices import Bench
from rigwarp.errors import MeasurementError
from rigwarp.files import read_patterns
from rigwarp.files.names import CAPTURE_FILE, FRAMES, PATTERNS_FILE
from rigwarp.geometry import Array, BoolArray, Photo
from rigwarp.patterns import PatternSet, StripeFrame

WHITE = "white"
_CHANGED = 0.05  # of the contrast of black and white: what a cell must change by to count
_NOISE_SIGMAS = 3.0
_MOST_SHIFT_PX = 0.1  # of the camera: what matters beside the decoder's own few hundredths
_MOST_CHANGED = 0.01  # share of the lit cells
_MOST_DRIFT = 0.03  # of brightness: a lamp warms up, and the decoder bears that much


@dataclass(frozen=True, kw_only=True)
class Movement:
    """What differs between two photographs.

    Attributes
    ----------
    shift_px : (along x, along y) by which the later one is shifted, camera pixels; reliable up to a few pixels.
    changed : share of the lit area that looks different.
    drift : relative change of brightness.
    """

    shift_px: tuple[float, float]
    changed: float
    drift: float

    @property
    def matters(self) -> bool:
        """True when the two do not belong into one scan."""
        return (
            float(np.hypot(*self.shift_px)) > _MOST_SHIFT_PX
            or self.changed > _MOST_CHANGED
            or abs(self.drift) > _MOST_DRIFT
        )

    def __str__(self) -> str:
        shift = float(np.hypot(*self.shift_px))
        return (
            f"shifted by {shift:.1f} camera pixels, {100 * self.changed:.0f} % of the lit area different, "
            f"brightness {100 * self.drift:+.0f} %"
        )


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
        found = movements(photos.__getitem__, len(photos), patterns, bench)
        if moved := [f"{name}: {movement}" for name, movement in found.items() if movement.matters]:
            raise MeasurementError(
                f"something has moved since the scan was interrupted, or the light has changed ({'; '.join(moved)}): "
                "put it back and try again, or begin a new scan without --resume"
            )
        for photo in photos:
            decoder.add(photo)
            advance()
        record_rest(run, patterns, bench, there, writer, decoder, notes.exposures_s, advance)
    return Recorded(patterns=patterns, decoder=decoder)


def _first_shape(patterns: PatternSet) -> int:
    """The first frame after the uniform ones."""
    return max(patterns.level_indices().values(), default=-1) + 1


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


def compare(before: Photo, after: tuple[Photo, Photo], black: Photo, white: Photo) -> Movement:
    """Compare a photograph with two later ones of the same picture.

    Parameters
    ----------
    before : (H, W)
    after : two photographs, whose difference tells the noise.
    black, white : earlier photographs of the uniform pictures, which tell where light falls.

    Notes
    -----
    The shift is the least-squares solution of after - gain before = -(d before / dx) shift_x - (d before / dy) shift_y,
    one step of Lucas and Kanade (1981); where light is uniform along one direction, the shift along it is left at zero.
    """
    full_scale = np.iinfo(before.dtype).max
    first, last, again = (photo.astype(np.float32) for photo in (before, *after))
    contrast = white.astype(np.float32) - black.astype(np.float32)
    lit = (contrast > _CHANGED * full_scale) & (before < full_scale) & (after[0] < full_scale)
    if not lit.any():
        return Movement(shift_px=(0.0, 0.0), changed=1.0, drift=0.0)
    gain = float((first[lit] @ last[lit]) / (first[lit] @ first[lit]))
    rest = last - gain * first
    noise = float(np.mean((last - again)[lit] ** 2))
    return Movement(
        shift_px=_shift(gain * first, rest, lit),
        changed=_changed(rest, contrast, lit, noise),
        drift=gain - 1.0,
    )


def _shift(picture: NDArray[np.float32], rest: NDArray[np.float32], lit: BoolArray) -> tuple[float, float]:
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    slopes = np.stack([cv2.Sobel(smooth, cv2.CV_32F, *d, ksize=3, scale=1 / 8)[lit] for d in ((1, 0), (0, 1))])
    normal = (slopes @ slopes.T).astype(float)
    found: Array = -np.linalg.lstsq(normal, (slopes @ rest[lit]).astype(float), rcond=1e-3)[0]
    return float(found[0]), float(found[1])


def _changed(rest: NDArray[np.float32], contrast: NDArray[np.float32], lit: BoolArray, noise: float) -> float:
    share = cell_means(lit)
    there = share > 0.5
    if not there.any():
        return 1.0
    squares, light = (cell_means(np.where(lit, values, 0.0))[there] / share[there] for values in (rest**2, contrast))
    rms, limit = np.sqrt(squares), np.maximum(_CHANGED * light, _NOISE_SIGMAS * np.sqrt(noise))
    return float(np.mean(rms > limit))
