"""Scans of a view: patterns shown by the rig's own projector, photographed by the view's camera over its mirrors."""

import secrets
import time
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture import can_resume, record_scan, recorded_frames, resume_scan
from rigwarp.decode import Decoded
from rigwarp.devices import Bench, MaskedDisplay
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    complete_runs,
    continued_run,
    current_result,
    interrupted_run,
    new_run,
    read_decoded,
    read_map,
    read_patterns,
    read_start,
    rig_locked,
    write_decoded,
)
from rigwarp.files.names import DECODED_FILE, MAP_FILE, PATTERNS_FILE, RESULTS, VIEW_SCANS
from rigwarp.files.records.view import ViewScanSettings
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.scan_runs import ScanOptions, as_settings, chosen_set, kept, options_of, set_for
from rigwarp.patterns import PatternSet
from rigwarp.rig import CameraSpec, View

COMMAND = "view scan"
BY_PROJECTOR = "projector"
BY_SCREEN = "screen"


@dataclass(frozen=True, kw_only=True)
class ViewScanTaken:
    """A finished scan of a view: its folder, and what the camera's pixels decode to."""

    run: Path
    decoded: Decoded
    seconds: float


def view_of(folder: RigFolder) -> View:
    """The rig's view.

    Raises
    ------
    InputError
        It has none.
    """
    if folder.rig.view is None:
        raise InputError(
            f"{folder.root / 'rig.toml'}: found no [view], expected the camera that sees the table through mirrors. "
            "Add it: demos/rig_reference.toml has all its keys"
        )
    return folder.rig.view


def seen_folder(folder: RigFolder) -> RigFolder:
    """The same rig with the view's camera as its camera; InputError as for `view_of`."""
    view = view_of(folder)
    camera = CameraSpec(resolution=view.resolution, device=view.device)
    return replace(folder, rig=replace(folder.rig, camera=camera))


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """The runs of one scan: one per zone of the projector's mirror, with its result's map of zones."""

    group: str
    result: str
    numbers: list[int]
    zone_map: NDArray[np.int16]

    def note(self, number: int) -> dict[str, object]:
        kept = {"by": BY_PROJECTOR, "result": self.result, "group": self.group}
        return {**kept, "zone": number, "zones": self.numbers}

    def lit(self, bench: Bench, number: int) -> Bench:
        """The bench with only a zone lit."""
        if len(self.numbers) == 1:
            return bench
        return replace(bench, display=MaskedDisplay(bench.display, self.zone_map == number))


def scan_view(
    progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions, *, resume: bool = False
) -> list[ViewScanTaken]:
    """Show patterns with the rig's calibrated projector, zone by zone of its mirror, photograph and decode them.

    With `resume` the scan that was interrupted last goes on, with its settings.

    Raises
    ------
    InputError
        The projector is not calibrated, or nothing was interrupted.
    DeviceError, MeasurementError
        As for the projector's own scan.
    """
    with rig_locked(folder.root, COMMAND):
        if resume:
            return _resumed(progress, folder, bench)
        result = current_result(folder.root)
        parts = _parts(folder, result.name, secrets.token_hex(4))
        return [_taken(progress, folder, parts.lit(bench, n), options, parts.note(n)) for n in parts.numbers]


def _parts(folder: RigFolder, result: str, group: str) -> _Parts:
    zone_map = read_map(folder.root / RESULTS / result / MAP_FILE)[0].zone
    numbers = zones_lit(zone_map)
    return _Parts(group=group, result=result, numbers=numbers, zone_map=zone_map)


def _resumed(progress: Progress, folder: RigFolder, bench: Bench) -> list[ViewScanTaken]:
    """The interrupted scan and those of the zones that were still to come; finished ones of its group are read."""
    run = _interrupted(folder)
    settings = read_start(run).scan
    noted = view_settings(run)
    parts = _parts(folder, str(noted.result), str(noted.group))
    done = {
        int(read_start(one).scan.zone or 0): ViewScanTaken(
            run=one, decoded=read_decoded(one / DECODED_FILE), seconds=0.0
        )
        for one in complete_runs(folder.root / VIEW_SCANS)
        if view_settings(one).group == parts.group
    }
    taken = []
    for number in parts.numbers:
        lit = parts.lit(bench, number)
        if number in done:
            taken.append(done[number])
        elif number == int(settings.zone or 0) and can_resume(run):
            taken.append(_continued(progress, folder, lit, run))
        else:
            taken.append(_taken(progress, folder, lit, options_of(settings), parts.note(number)))
    return taken


def _interrupted(folder: RigFolder) -> Path:
    run = interrupted_run(folder.root / VIEW_SCANS)
    if run is None or view_settings(run).by != BY_PROJECTOR:
        raise InputError(
            f"{folder.root}: found no scan of the view that was interrupted after the last finished one. Begin a new "
            f"one: rigwarp view scan {folder.root}"
        )
    if read_start(run).rig_hash != folder.rig_hash:
        raise InputError(f"{run}: was begun with another rig.toml. Begin a new scan: rigwarp view scan {folder.root}")
    return run


def view_settings(run: Path) -> ViewScanSettings:
    """What start.json says of a scan of the view."""
    return ViewScanSettings.from_dict(read_start(run).settings or {})


def _continued(progress: Progress, folder: RigFolder, bench: Bench, run: Path) -> ViewScanTaken:
    start, frames = time.monotonic(), len(read_patterns(run / PATTERNS_FILE).frames)
    progress.note(f"Going on with {run}: {recorded_frames(run)} of {frames} photographs are there.")
    with continued_run(run), _kept(folder, run), progress.stage(frames, "Scanning") as advance:
        decoded = resume_scan(run, bench, advance=advance).decoder.finish()
        write_decoded(run / DECODED_FILE, decoded)
    return ViewScanTaken(run=run, decoded=decoded, seconds=time.monotonic() - start)


def _kept(folder: RigFolder, run: Path) -> AbstractContextManager[None]:
    return kept(run, f"rigwarp view scan {folder.root} --resume")


def _taken(
    progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions, note: dict[str, object]
) -> ViewScanTaken:
    set_name = chosen_set(progress, folder, bench, options)
    settings = {**as_settings(replace(options, set_name=set_name)), **note}

    def adapt(blur_px: float | None) -> PatternSet:
        return set_for(folder, set_name, blur_px, options.exposures)

    shown, start = adapt(options.blur_px), time.monotonic()
    with (
        new_run(folder.root / VIEW_SCANS, COMMAND, folder, settings=settings) as run,
        _kept(folder, run),
        progress.stage(len(shown.frames), "Scanning") as advance,
    ):
        recorded = record_scan(
            run,
            shown,
            bench,
            advance=advance,
            adapt=None if options.blur_px is not None else adapt,
            average=options.average,
        )
        decoded = recorded.decoder.finish()
        write_decoded(run / DECODED_FILE, decoded)
    return ViewScanTaken(run=run, decoded=decoded, seconds=time.monotonic() - start)
