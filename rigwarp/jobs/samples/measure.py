"""One cycle of a sample: reference, sample, sample laid in again, reference; photographed, kept, and worked out."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture.scans.frames_folder import frame_name, read_frames, recorded_frames
from rigwarp.errors import DeviceError, InputError, MeasurementError
from rigwarp.files import read_bytes, read_photo, write_bytes, write_picture
from rigwarp.files.atomic import write_npz
from rigwarp.files.names import CYCLE_FILE, FRAMES, MEASURED, SLOPES_FILE
from rigwarp.files.records.samples import CycleRecord, SlopeBandRecord, SpeckRecord
from rigwarp.files.runs import UTC_STAMP
from rigwarp.geometry import Array, Photo
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.samples.bench_folder import BenchFolder
from rigwarp.jobs.samples.seats import Seat
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.cycle import LEGS, CycleFigures, cycle_figures
from rigwarp.samples.frames import DISC_MRAD, frame_picture, sample_frames
from rigwarp.samples.leg import Leg, read_leg
from rigwarp.samples.readiness import Readiness, readiness_of

REFUSED: Final = "-refused"
"""Ending of a folder whose photographs support no result: kept, and not used."""
TURNED: Final = "-turned"
"""Ending of the folder of a cycle whose sample lay turned by 90 degrees."""
FRAMES_SHOWN: Final = sample_frames()
_ALIKE: Final = ("reflectance", "reflectance_sigma", "blur_mrad", "blur_sigma_mrad", "veil", "veil_sigma")
"""Of a cycle's figures, those that its record has under the same name."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A finished cycle: its folder, its figures, and their record."""

    run: Path
    figures: CycleFigures
    record: CycleRecord


@lru_cache(maxsize=1)  # every leg of every cycle shows the same
def pictures_of(bench: SampleBench) -> tuple[NDArray[np.uint8], ...]:
    """All pictures of a bench, in order."""
    return tuple(frame_picture(bench, frame) for frame in FRAMES_SHOWN)


def check_bench(progress: Progress, folder: BenchFolder, seat: Seat) -> list[Readiness]:
    """Photograph the reference once and judge the bench; the photographs are not kept.

    Raises
    ------
    MeasurementError
        Overexposed, or no light on the screen.
    """
    pictures = pictures_of(folder.bench)
    name = folder.bench.reference.name
    with TemporaryDirectory() as where:
        photos = photograph_leg(progress, Path(where) / "R1", name, seat, pictures, again=False)
    return readiness_of(folder.bench, read_leg(folder.bench, FRAMES_SHOWN, photos, name=name))


def measure_sample(progress: Progress, folder: BenchFolder, name: str, seat: Seat, *, turned: bool = False) -> Measured:
    """Photograph a cycle, or go on with one that was interrupted, and work it out; `turned`: the sample by 90 degrees.

    Raises
    ------
    InputError
        The name cannot be a sample's.
    MeasurementError
        The photographs support no result; those of the leg in question are put aside.
    """
    folder.bench.sheet(name)
    run = _run_folder(folder, name, turned)
    pictures = pictures_of(folder.bench)
    legs: dict[str, Leg] = {}
    for leg in LEGS:
        mirror = folder.bench.reference.name if leg.startswith("R") else name
        askew = turned and leg.startswith("S")
        with _kept(list(legs), leg):
            photos = photograph_leg(progress, run / leg, mirror, seat, pictures, again=leg == "S2", turned=askew)
        legs[leg] = _read(folder.bench, run / leg, photos, legs, name=f"{mirror} ({leg})")
    return _work_out(folder, name, run, legs)


@contextmanager
def _kept(legs: Sequence[str], leg: str) -> Iterator[None]:
    """Adds to what devices complain of, and to an interruption, what the same command goes on with."""
    try:
        yield
    except (DeviceError, KeyboardInterrupt) as error:
        if not legs:
            raise
        told = f"{error}. " if str(error) else ""
        kind = DeviceError if isinstance(error, DeviceError) else KeyboardInterrupt
        raise kind(
            f"{told}The photographs of {' and '.join(legs)} are kept; the same command goes on with {leg}."
        ) from error


def import_cycle(progress: Progress, folder: BenchFolder, name: str, source: Path, *, turned: bool = False) -> Measured:
    """A cycle photographed elsewhere: SOURCE/R1/0000.png and so on, the same in S1, S2 and R2; copied unchanged.

    Raises
    ------
    InputError
        A folder or a photograph is missing, or of the wrong size.
    MeasurementError
        The photographs support no result.
    """
    folder.bench.sheet(name)
    paths: dict[str, list[Path]] = {}
    for leg in LEGS:
        if not (source / leg).is_dir():
            kind = "the reference" if leg.startswith("R") else "the sample"
            raise InputError(
                f"{source / leg}: found no such folder, expected the photographs of {kind} there. A cycle is reference "
                "(R1), sample (S1), the sample laid in again (S2), reference (R2): without all four nothing is known "
                "of drift."
            )
        paths[leg] = read_frames(source / leg, len(FRAMES_SHOWN))
    run = _new_folder(folder, name, turned)
    legs: dict[str, Leg] = {}
    try:
        with progress.stage(len(LEGS), "Reading the photographs") as advance:
            for leg in LEGS:
                target = run / leg / FRAMES
                target.mkdir(parents=True)
                for path in paths[leg]:
                    write_bytes(target / path.name.lower(), read_bytes(path))
                photos = [read_photo(path) for path in paths[leg]]
                mirror = folder.bench.reference.name if leg.startswith("R") else name
                legs[leg] = _read(folder.bench, run / leg, photos, legs, name=f"{mirror} ({leg})")
                advance()
    except (InputError, MeasurementError):
        _put_aside(run)  # no later cycle goes on with photographs from elsewhere
        raise
    return _work_out(folder, name, run, legs)


def export_frames(progress: Progress, folder: BenchFolder, target: Path) -> list[Path]:
    """The pictures to show by way of each mirror, TARGET/patterns/NNNN.png, in order.

    Raises
    ------
    InputError
        The folder already holds pictures, or cannot be made.
    """
    pictures = target / "patterns"
    if pictures.exists():
        raise InputError(f"{target}: already holds exported pictures. Choose a new folder.")
    try:
        pictures.mkdir(parents=True)
    except OSError as error:
        raise InputError(f"{target}: cannot be made ({error.strerror or error}). Choose another folder.") from None
    written = []
    with progress.stage(len(FRAMES_SHOWN), "Writing the pictures") as advance:
        for index, frame in enumerate(FRAMES_SHOWN):
            written.append(pictures / frame_name(index))
            write_picture(written[-1], frame_picture(folder.bench, frame))
            advance()
    return written


def _run_folder(folder: BenchFolder, name: str, turned: bool) -> Path:
    """The newest such cycle of the sample if it is not finished, else a new one."""
    kept = (p for p in (folder.root / MEASURED / name).glob("*Z*") if not p.name.endswith(REFUSED))
    there = sorted(p for p in kept if p.name.endswith(TURNED) == turned)
    if there and not (there[-1] / CYCLE_FILE).exists():
        return there[-1]
    return _new_folder(folder, name, turned)


def _new_folder(folder: BenchFolder, name: str, turned: bool) -> Path:
    stamp = datetime.now(UTC).strftime(UTC_STAMP)
    for number in range(1, 1000):
        again = "" if number == 1 else f"-{number:03d}"
        run = folder.root / MEASURED / name / f"{stamp}{again}{TURNED if turned else ''}"
        if not run.exists() and not run.with_name(run.name + REFUSED).exists():
            run.mkdir(parents=True)
            return run
    raise InputError(f"{folder.root / MEASURED / name}: found 999 cycles of one second, expected fewer.")


def photograph_leg(
    progress: Progress,
    where: Path,
    mirror: str,
    seat: Seat,
    pictures: Sequence[NDArray[np.uint8]],
    *,
    again: bool,
    turned: bool = False,
) -> list[Photo]:
    """The photographs of a leg: those that are there, or all taken now.

    A leg that was interrupted is photographed anew: the mirror may have been touched, and the lamp has gone on.
    """
    there, frames = recorded_frames(where), where / FRAMES
    with progress.stage(len(pictures), f"{where.name}: {mirror}") as advance:
        if there >= len(pictures):
            advance(there)
            return [read_photo(frames / frame_name(i)) for i in range(there)]
        if there:
            _put_aside(where)
        seat.lay_in(mirror, again=again, turned=turned)
        frames.mkdir(parents=True, exist_ok=True)
        photos: list[Photo] = []
        with ThreadPoolExecutor(1) as writer:  # a photograph is written while the next one is taken
            written = writer.submit(lambda: None)
            for i, picture in enumerate(pictures):
                seat.display.show(picture)
                photos.append(seat.camera.grab())
                written.result()
                written = writer.submit(write_picture, frames / frame_name(i), photos[-1])
                advance()
            written.result()
    return photos


def _read(bench: SampleBench, where: Path, photos: list[Photo], before: dict[str, Leg], *, name: str) -> Leg:
    shape = next((one.shape for one in before.values()), None)
    try:
        return read_leg(bench, FRAMES_SHOWN, photos, name=name, shape=shape)
    except MeasurementError:
        _put_aside(where)
        raise


def _work_out(folder: BenchFolder, name: str, run: Path, legs: dict[str, Leg]) -> Measured:
    sheet = folder.bench.sheet(name)
    try:
        figures = cycle_figures(folder.bench, sheet, legs)
    except MeasurementError:
        _put_aside(run)
        raise
    record = _record_of(folder, sheet, figures, turned=run.name.endswith(TURNED))
    slopes = {"slope_mrad": 1000.0 * figures.slopes, "ratio": figures.pairs[0].ratio, "pitch_mm": figures.pitch_mm}
    write_npz(run / SLOPES_FILE, slopes, format="rigwarp samples maps")
    record.write(run / CYCLE_FILE)
    return Measured(run=run, figures=figures, record=record)


def _record_of(folder: BenchFolder, sheet: Sheet, figures: CycleFigures, *, turned: bool) -> CycleRecord:
    """The record of a finished cycle: angles in mrad, bow per metre."""
    double, specks = figures.double, figures.specks
    alike: dict[str, Any] = {name: _numbers(getattr(figures, name)) for name in _ALIKE}
    edge = [side for pair in figures.pairs for side in pair.edge]
    return CycleRecord(
        sample=sheet.name,
        measured_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        bench_hash=folder.hash,
        formed=sheet.formed,
        turned=turned,
        **alike,
        uneven_p95_p5=_known([pair.uneven_share for pair in figures.pairs]),
        uneven_rms=_known([pair.uneven_rms for pair in figures.pairs]),
        uneven_from_mm=max(folder.bench.footprint_mm, 5.0),
        blur_variance_mm2=_numbers(figures.variance_mm2),
        blur_variance_sigma_mm2=_numbers(figures.variance_sigma_mm2),
        edge_against_stripes=tuple(float(np.mean([e / s for e, s in edge[k::2]])) for k in (0, 1)),
        veil_beyond_mrad=tuple(float(mrad) for mrad in DISC_MRAD),
        haze_red_blue=_numbers(figures.haze),
        haze_sigma=figures.haze_sigma,
        bands=tuple(
            SlopeBandRecord(
                shortest_mm=band.shortest_mm,
                longest_mm=band.longest_mm,
                rms_mrad=_numbers(1000.0 * band.rms_rad),
                sigma_mrad=_numbers(1000.0 * band.sigma_rad),
            )
            for band in figures.bands
        ),
        crests_deg=figures.direction.crests_deg,
        coherence=figures.direction.coherence,
        bow_per_m=_numbers(1000.0 * figures.form.bow_per_mm),
        bow_sigma_per_m=1000.0 * figures.form.bow_sigma_per_mm,
        double_seen=double.seen,
        double_mm=double.distance_mm if double.seen else None,
        double_sigma_mm=double.distance_sigma_mm if double.seen else None,
        double_front=double.front,
        double_third=double.third,
        double_sigma=double.front_sigma,
        double_third_sigma=double.third_sigma,
        double_from_mm=double.nearest_mm,
        specks=tuple(SpeckRecord(**asdict(one), grade_mm=one.grade_mm) for one in specks.dark),
        least_speck_mm=specks.least_mm,
        speck_everywhere_mm=specks.everywhere_mm,
        closure=_numbers(figures.closure.log_ratio),
        closure_shift_px=figures.closure.shift_px,
        closure_good=figures.closure.good,
    )


def _known(values: list[float]) -> float | None:
    return float(np.mean(values)) if np.isfinite(values).all() else None


def _numbers(values: Array) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _put_aside(where: Path) -> None:
    """Rename a folder, so that its photographs are kept and the next try takes new ones."""
    for number in range(1, 1000):
        target = where.with_name(f"{where.name}{'' if number == 1 else f'-{number}'}{REFUSED}")
        if not target.exists():
            where.rename(target)
            return
