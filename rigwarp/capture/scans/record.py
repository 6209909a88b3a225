"""Showing pictures and photographing each one; the frames of a scan folder."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType

from rigwarp.capture.photographs.borrowed_camera import averaged
from rigwarp.capture.photographs.synchronised_bench import SynchronisedBench
from rigwarp.capture.scans.bracket import bracket_s, expose, exposure_kept
from rigwarp.capture.scans.frames_folder import CaptureNotes, frame_name, write_capture_notes
from rigwarp.decode import Decoder, blur_from_stripes
from rigwarp.devices import Bench, Frame, MaskedDisplay
from rigwarp.errors import DeviceError
from rigwarp.files import make_folder, write_patterns, write_picture
from rigwarp.files.names import FRAMES, PATTERNS_FILE
from rigwarp.geometry import Photo
from rigwarp.patterns import LevelFrame, PatternSet, PhaseFrame, PlaidFrame

_WAITING = 8  # photographs that may wait for the disk: more would fill the memory


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


class FrameWriter:
    """Writes pictures in the background, so that compressing them does not hold up the capture.

    Leaving the `with` block waits for the last one and raises what went wrong.
    """

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1)
        self._pending: list[Future[None]] = []

    def __enter__(self) -> "FrameWriter":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True)  # also after a failure: what was photographed is kept
        if error is None:
            for future in self._pending:
                future.result()

    def write(self, path: Path, photo: Photo, *, replace: bool = False) -> None:
        """Write a picture some time soon; `replace` as in `write_picture`."""
        while self._pending and (self._pending[0].done() or len(self._pending) >= _WAITING):
            self._pending.pop(0).result()  # raises what went wrong
        self._pending.append(self._pool.submit(write_picture, path, photo, replace=replace))


def record_scan(
    run: Path,
    patterns: PatternSet,
    bench: Bench,
    *,
    advance: Callable[[], None],
    adapt: Callable[[float], PatternSet] | None = None,
    average: int = 1,
) -> Recorded:
    """Show a pattern set, photograph it and keep patterns.json, capture.json and the frames in a run folder.

    The photographs go to the decoder as they come; the files are written meanwhile. What was photographed when a device
    fails stays in the folder, for `resume_scan`.

    Parameters
    ----------
    adapt : makes the set for a measured blur (sigma, projector pixels). It is asked after the uniform frames and two
        stripe frames, and must begin with the same uniform frames. Without it the set is shown as it is.
    average : photographs per frame, whose mean is kept.

    Raises
    ------
    DeviceError
        If the display does not have the resolution of the patterns, or a device fails.
    MeasurementError
        If the camera sees hardly anything of them, or they cannot be photographed reliably.
    """
    require_resolution(bench, patterns)
    facts = bench.facts() if isinstance(bench, SynchronisedBench) else {}
    bench = Bench(display=bench.display, camera=averaged(bench.camera, average))
    turns_s = bracket_s(bench.camera, len(patterns.exposures))
    make_folder(run / FRAMES, fresh=True)
    with exposure_kept(bench.camera), FrameWriter() as writer:
        leading = _leading_levels(patterns) if adapt else 0
        first: list[Photo] = []
        for index, photo in enumerate(photographs(patterns, range(leading), bench, turns_s, advance)):
            writer.write(run / FRAMES / frame_name(index), photo)
            first.append(photo)
        if adapt:
            patterns = _adapted(patterns, first, bench, adapt)
        write_patterns(run / PATTERNS_FILE, patterns)
        write_capture_notes(run, CaptureNotes(exposures_s=turns_s, average=average, facts=facts))
        decoder = Decoder(patterns)
        for photo in first:
            decoder.add(photo)
        record_rest(run, patterns, bench, leading, writer, decoder, turns_s, advance)
    return Recorded(patterns=patterns, decoder=decoder)


def record_rest(
    run: Path,
    patterns: PatternSet,
    bench: Bench,
    begin: int,
    writer: FrameWriter,
    decoder: Decoder,
    turns_s: Sequence[float | None],
    advance: Callable[[], None],
) -> None:
    """Record the frames of a set from number `begin` on, in place of any that are there."""
    rest = range(begin, len(patterns.frames))
    for index, photo in zip(rest, photographs(patterns, rest, bench, turns_s, advance), strict=True):
        writer.write(run / FRAMES / frame_name(index), photo, replace=True)
        decoder.add(photo)


def photographs(
    patterns: PatternSet,
    indices: Iterable[int],
    bench: Bench,
    turns_s: Sequence[float | None],
    advance: Callable[[], None],
) -> Iterator[Photo]:
    """Photograph some frames of a set, each with the exposure of its turn."""
    turn = None
    for index in indices:
        if patterns.frames[index].exposure != turn:
            turn = patterns.frames[index].exposure
            if len(turns_s) > 1:
                expose(bench.camera, turns_s, turn)
        display = bench.display
        if isinstance(patterns.frames[index], PlaidFrame) and isinstance(display, MaskedDisplay):
            display = display.whole
        yield from photograph(replace(bench, display=display), [patterns.picture(index)], advance=advance)


def require_resolution(bench: Bench, patterns: PatternSet) -> None:
    """Refuse a display that is not as the patterns want it; DeviceError where it has another resolution."""
    if bench.display.resolution != patterns.resolution:
        raise DeviceError(
            f"the display has {bench.display.resolution[0]} x {bench.display.resolution[1]} pixels, the rig file's "
            f"projector {patterns.resolution[0]} x {patterns.resolution[1]}: set the projector's native resolution"
        )


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
