"""A scan as a run: frames shown and photographed or taken from elsewhere, decoded, and what it says of itself."""

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture import Recorded, can_resume, import_frames, record_scan, recorded_frames, resume_scan
from rigwarp.decode import Decoded, Reason
from rigwarp.devices import Bench, OneShotCamera
from rigwarp.errors import DeviceError, InputError, MeasurementError
from rigwarp.files import (
    RigFolder,
    continued_run,
    new_run,
    read_bytes,
    read_camera,
    read_patterns,
    write_bytes,
    write_decoded,
    write_picture,
)
from rigwarp.files.names import CAMERA_FILE, DECODED_FILE, PATTERNS_FILE, SCANS, ZONES_FILE
from rigwarp.files.records import ScanSettings
from rigwarp.geometry.threads import by_rows
from rigwarp.jobs.design import design_map
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.zones import zones_then
from rigwarp.patterns import PatternSet, make_set
from rigwarp.table_map import check_orientation
from rigwarp.words import short_number

DEFAULT_SET = "fast"
SLOW_SET = "short"
"""For a camera that takes longer than `SLOW_S` for each photograph."""
SLOW_S = 1.0
_OWN_ZONE = 0.5  # of the positions decoded from photographs of one zone, at least
_SECONDS_UP_TO = 120.0  # longer times are said in minutes
_BLUR_FRAMES = 2  # photographed for the blur, beside the set's own
COMMAND = "scan"
"""What start.json calls a scan that was taken with a display and a camera."""
RAISED = "raised_mm"
"""The setting that a scan on a raised board has, and one on the table has not: how much higher the board stands."""
RAISED_BOARD = "raised_board"
"""The setting that holds what the sheet on that board said."""


@dataclass(frozen=True, kw_only=True)
class ScanTaken:
    """A finished scan folder, what it decodes to, and how long showing and decoding took."""

    run: Path
    decoded: Decoded
    scan_s: float
    decode_s: float


@dataclass(frozen=True, kw_only=True)
class ScanOptions:
    """How a scan is to be taken.

    Attributes
    ----------
    set_name : of the pattern set; None: the usual one, or that of the fewest frames for a slow camera.
    blur_px : sigma that the periods are chosen for, projector pixels; None: the one that is measured first.
    exposures : how many times the set is photographed, each with another exposure.
    average : photographs per pattern.
    """

    set_name: str | None = None
    blur_px: float | None = None
    exposures: int = 1
    average: int = 1


def take_scan(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    options: ScanOptions,
    *,
    part: Mapping[str, Any] | None = None,
    zone_map: NDArray[np.int16] | None = None,
) -> ScanTaken:
    """Show the patterns on a bench, photograph and decode them.

    Parameters
    ----------
    part : says of which group of scans it is one.
    zone_map : (H, W) by which the group's zones are told apart, kept so that they can be lit alike again.
    """

    set_name = chosen_set(progress, folder, bench, options)
    settings = {**as_settings(replace(options, set_name=set_name)), **(part or {})}

    def adapt(blur_px: float | None) -> PatternSet:
        patterns = set_for(folder, set_name, blur_px, options.exposures)
        return patterns if zone_map is None else patterns.with_plaid()

    shown = adapt(options.blur_px)

    start = time.monotonic()
    with new_run(folder.root / SCANS, COMMAND, folder, settings=settings) as run:
        if zone_map is not None:
            write_picture(run / ZONES_FILE, zone_map.astype(np.uint8))
        with (
            kept(run, f"rigwarp scan {folder.root} --resume"),
            progress.stage(len(shown.frames), "Scanning") as advance,
        ):
            wanted = adapt if options.blur_px is None else None
            recorded = record_scan(run, shown, bench, advance=advance, adapt=wanted, average=options.average)
        taken = _decode_into(run, recorded, start)
        if RAISED not in (part or {}):
            _check_orientation(folder, taken.decoded)
        return taken


def chosen_set(progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions) -> str:
    """The set that a scan takes; says so where the camera is slow, and what that costs."""
    camera = bench.camera
    photo_s = camera.settle_s + camera.photo_s if isinstance(camera, OneShotCamera) else 0.0
    name = options.set_name or (SLOW_SET if photo_s > SLOW_S else DEFAULT_SET)
    if photo_s > SLOW_S:
        more = _BLUR_FRAMES if options.blur_px is None else 0
        count, most = (
            (len(set_for(folder, each, options.blur_px, options.exposures).frames) + more) * options.average
            for each in (name, DEFAULT_SET)
        )
        price = (
            f", {most} with --set {DEFAULT_SET}; places are as sure, the camera's response half as much"
            if name == SLOW_SET
            else ""
        )
        length_s = count * photo_s
        length = f"{length_s:.0f} s" if length_s < _SECONDS_UP_TO else f"{short_number(length_s / 60, 2)} min"
        progress.note(f"The scan takes about {length}: {count} photographs{price}.")
    return name


def continue_scan(progress: Progress, folder: RigFolder, bench: Bench, run: Path) -> ScanTaken:
    """Go on with an interrupted scan for which `can_resume` is true."""
    start = time.monotonic()
    frames = len(read_patterns(run / PATTERNS_FILE).frames)
    progress.note(f"Going on with {run}: {recorded_frames(run)} of {frames} photographs are there.")
    with continued_run(run):
        with kept(run, f"rigwarp scan {folder.root} --resume"), progress.stage(frames, "Scanning") as advance:
            recorded = resume_scan(run, bench, advance=advance)
        return _decode_into(run, recorded, start)


@contextmanager
def kept(run: Path, go_on: str) -> Iterator[None]:
    """Adds to what devices complain of, and to an interruption, that the scan can go on later."""
    try:
        yield
    except (DeviceError, KeyboardInterrupt) as error:
        if not can_resume(run):
            raise
        told = f"{error}. " if str(error) else ""
        kind = DeviceError if isinstance(error, DeviceError) else KeyboardInterrupt
        raise kind(f"{told}{recorded_frames(run)} photographs are kept; go on with: {go_on}") from error


def as_settings(options: ScanOptions) -> dict[str, Any]:
    """The options as a run's settings."""
    values = asdict(options)
    return {"set": values.pop("set_name"), **values}


def options_of(settings: ScanSettings) -> ScanOptions:
    """Back from `as_settings`, as far as they are there."""
    blur = settings.blur_px
    return ScanOptions(
        set_name=settings.set or DEFAULT_SET,
        blur_px=None if blur is None or np.isnan(blur) else float(blur),
        exposures=int(settings.exposures or 1),
        average=int(settings.average or 1),
    )


def import_scan(
    progress: Progress,
    folder: RigFolder,
    source: Path,
    *,
    note: Mapping[str, Any] | None = None,
    mend: bool = False,
) -> ScanTaken:
    """Make a scan folder of photographs taken elsewhere.

    Parameters
    ----------
    note : added to its settings.
    mend : put photographs that are mixed up right.

    Raises
    ------
    InputError
        If photographs or patterns are missing, damaged, or not of this rig.
    MeasurementError
        If photographs show other patterns than their own, are turned or mirrored, or support no result.
    """
    start, note = time.monotonic(), note or {}
    read_patterns(source / PATTERNS_FILE)  # a foreign folder is refused before a run is begun
    if (source / ZONES_FILE).is_file() and "zone" not in note:
        above = f"Import the folder above: rigwarp scan {folder.root} --import {source.absolute().parent}"
        raise InputError(
            f"{source}: found the photographs of one zone, expected those of all zones of the mirror. "
            f"{above if source.name.startswith('zone-') else 'A scan of one zone cannot be imported by itself'}"
        )
    with new_run(folder.root / SCANS, "scan --import", folder, settings={"source": source.name, **note}) as run:
        with progress.stage(len(list(source.glob("frames/*"))), "Importing") as advance:
            imported = import_frames(source, run, folder.rig, advance=advance, mend=mend)
        if (source / ZONES_FILE).is_file():
            write_bytes(run / ZONES_FILE, read_bytes(source / ZONES_FILE))
        taken = _decode_into(run, imported.recorded, start, mended=imported.mended)
        if RAISED not in note:
            _check_orientation(folder, taken.decoded)
        if "zone" in note:
            _check_zone(zones_then(folder, run), int(note["zone"]), taken.decoded, source)
        return taken


def _check_orientation(folder: RigFolder, decoded: Decoded) -> None:
    """MeasurementError for photographs that are turned or mirrored, as far as there is a camera.json that tells."""
    if (folder.root / CAMERA_FILE).exists():
        camera = read_camera(folder.root / CAMERA_FILE)
        check_orientation(decoded, camera, design_map(folder), folder.rig.table.height_mm)


def _check_zone(zone_map: NDArray[np.int16], zone: int, decoded: Decoded, source: Path) -> None:
    """MeasurementError for photographs that show another zone (H, W) lit than the one whose folder they lie in."""
    height, width = zone_map.shape
    u = np.clip(np.rint(decoded.u_px[decoded.valid]), 0, width - 1).astype(int)
    v = np.clip(np.rint(decoded.v_px[decoded.valid]), 0, height - 1).astype(int)
    seen = np.bincount(zone_map[v, u][zone_map[v, u] >= 0], minlength=zone + 1)
    if len(u) and seen[zone] < _OWN_ZONE * len(u):
        raise MeasurementError(
            f"{source}: the photographs show zone {int(np.argmax(seen))} lit, expected zone {zone}. Put the "
            "photographs of each zone into the folder of its own number (were two folders exchanged?) and import again."
        )


def set_for(folder: RigFolder, name: str, blur_px: float | None, exposures: int = 1) -> PatternSet:
    """A pattern set for the rig's projector."""
    projector = folder.rig.projector
    return make_set(name, projector.resolution, projector.transfer, blur_px=blur_px, exposures=exposures)


def _decode_into(run: Path, recorded: Recorded, start: float, *, mended: str = "") -> ScanTaken:
    shown = time.monotonic()
    decoded = recorded.decoder.finish()
    if mended:
        decoded = replace(decoded, corrected=(mended, *decoded.corrected))
    write_decoded(run / DECODED_FILE, decoded)
    return ScanTaken(run=run, decoded=decoded, scan_s=shown - start, decode_s=time.monotonic() - shown)


def scan_figures(decoded: Decoded) -> dict[str, object]:
    """What the scan says of itself: pixels per reason, and the median uncertainty with what neighbours share of it."""

    def of_rows(rows: slice) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        reason = decoded.reason[rows]
        valid = reason == Reason.OK
        sigma_px = np.hypot(decoded.sigma_u_px[rows][valid], decoded.sigma_v_px[rows][valid])
        return np.bincount(reason.ravel(), minlength=len(Reason)), sigma_px

    parts = by_rows(of_rows, decoded.reason.shape)
    counts = np.sum([count for count, _ in parts], axis=0)
    sigma_px = np.concatenate([sigma for _, sigma in parts])
    own_px = np.median(sigma_px) / np.sqrt(2.0) if sigma_px.size else np.nan
    return {
        "pixels": {reason.name.lower(): int(counts[reason]) for reason in Reason},
        "median_sigma_px": float(
            np.linalg.norm([own_px, decoded.light_sigma_px, decoded.bands_sigma_px, decoded.curve_sigma_px])
        ),
        "response_shape": decoded.response.shape,
        "moved_share": decoded.moved_share,
        "folded": decoded.folded or None,
        "corrected": list(decoded.corrected),
        "recovered": list(decoded.recovered),
        "processing": list(decoded.processing),
        "motion_sigma_px": decoded.motion_sigma_px,
        "noise_shares": dict(decoded.noise_shares),
        "noise": {"floor": decoded.noise.floor, "per_light": decoded.noise.per_light},
    }


def scan_seconds(taken: Sequence[ScanTaken]) -> dict[str, float]:
    """How long showing and decoding took."""
    return {"scan": sum(one.scan_s for one in taken), "decode": sum(one.decode_s for one in taken)}
