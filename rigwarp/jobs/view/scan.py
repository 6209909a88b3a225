"""Scans of a view: patterns shown by the rig's own projector, photographed by the view's camera over its mirrors."""

import secrets
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from rigwarp.capture import record_scan
from rigwarp.decode import Decoded
from rigwarp.devices import Bench, MaskedDisplay
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_result, new_run, read_map, rig_locked, write_decoded
from rigwarp.files.names import DECODED_FILE, MAP_FILE, VIEW_SCANS
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.scan_runs import ScanOptions, as_settings, chosen_set, set_for
from rigwarp.patterns import PatternSet
from rigwarp.rig import CameraSpec

COMMAND = "view scan"
BY_PROJECTOR = "projector"
BY_SCREEN = "screen"


@dataclass(frozen=True, kw_only=True)
class ViewScanTaken:
    """A finished scan of a view: its folder, and what the camera's pixels decode to."""

    run: Path
    decoded: Decoded
    seconds: float


def seen_folder(folder: RigFolder) -> RigFolder:
    """The same rig with the view's camera as its camera.

    Raises
    ------
    InputError
        The rig has no view.
    """
    view = folder.rig.view
    if view is None:
        raise InputError(
            f"{folder.root / 'rig.toml'}: found no [view], expected the camera that sees the table through mirrors. "
            "Add it: demos/rig_reference.toml has all its keys"
        )
    camera = CameraSpec(resolution=view.resolution, device=view.device)
    return replace(folder, rig=replace(folder.rig, camera=camera))


def scan_view(progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions) -> list[ViewScanTaken]:
    """Show patterns with the rig's calibrated projector, zone by zone of its mirror, photograph and decode them.

    Raises
    ------
    InputError
        The projector is not calibrated.
    DeviceError, MeasurementError
        As for the projector's own scan.
    """
    result = current_result(folder.root)
    zone_map = read_map(result / MAP_FILE)[0].zone
    numbers = [int(n) for n in np.unique(zone_map[zone_map != NO_LIGHT])]
    group = secrets.token_hex(4)
    taken = []
    with rig_locked(folder.root, COMMAND):
        for number in numbers:
            display = MaskedDisplay(bench.display, zone_map == number) if len(numbers) > 1 else bench.display
            note = {"by": BY_PROJECTOR, "result": result.name, "group": group, "zone": number, "zones": numbers}
            taken.append(_taken(progress, folder, replace(bench, display=display), options, note))
    return taken


def _taken(
    progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions, note: dict[str, object]
) -> ViewScanTaken:
    set_name = chosen_set(progress, folder, bench, options)
    settings = {**as_settings(replace(options, set_name=set_name)), **note}

    def adapt(blur_px: float | None) -> PatternSet:
        return set_for(folder, set_name, blur_px, options.exposures)

    shown, start = adapt(options.blur_px), time.monotonic()
    with (
        new_run(
            folder.root / VIEW_SCANS,
            COMMAND,
            folder,
            settings=settings,
        ) as run,
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
