"""`rigwarp scan`: patterns out, photographs in, decoded."""

import secrets
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray

from rigwarp.capture import export_patterns, import_frames, record_scan
from rigwarp.commands.console import Console
from rigwarp.commands.design import design_map
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.decode import Decoded, Reason, decode
from rigwarp.devices import Bench, MaskedDisplay, Photo, open_bench
from rigwarp.errors import InputError, UsageError
from rigwarp.files import SCANS, RigFolder, current_result, new_run, open_rig, read_map, write_decoded
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.patterns import PatternSet, fast_set

DECODED_FILE = "decoded.npz"
MAP_FILE = "map.npz"


@dataclass(frozen=True, kw_only=True)
class ScanTaken:
    """A finished scan folder, what it decodes to, and how long showing and decoding took."""

    run: Path
    decoded: Decoded
    scan_s: float
    decode_s: float


def scan(
    rig: RigArgument,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="DIR", help="Write the patterns there; show nothing.")
    ] = None,
    import_: Annotated[
        Path | None, typer.Option("--import", metavar="DIR", help="Take photographs made elsewhere from there.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show the patterns, photograph each, and decode them into a scan folder.

    With --export DIR the patterns are written as pictures, to be shown and photographed by other means: show
    DIR/patterns/0000.png and so on full screen at the projector's native size, photograph each with everything locked
    (position, focus, exposure, white balance), and save the photographs as DIR/frames/0000.png (or .jpg, .tif) and so
    on. Then use --import DIR.
    """
    if export is not None and import_ is not None:
        raise UsageError("--export and --import exclude each other: export first, take the photographs, then import")
    console = Console(json=json)
    folder = open_rig(rig)
    patterns = fast_set(folder.rig.projector.resolution, folder.rig.projector.transfer)
    if export is not None:
        _export(console, export, patterns)
        return
    if import_ is not None:
        taken = [import_scan(console, folder, import_)]
    else:
        console.caution()
        with open_bench(folder) as bench:
            taken = take_scans(console, folder, bench, patterns)
    for one in taken:
        tell_scan(console, one)
    console.result(
        {
            "scan": taken[-1].run,
            "scans": [{"scan": one.run, **scan_figures(one.decoded)} for one in taken],
            "seconds": scan_seconds(taken),
        }
    )


def take_scans(
    console: Console, folder: RigFolder, bench: Bench, patterns: PatternSet | None = None
) -> list[ScanTaken]:
    """Scan a rig on a bench: at once, or one zone of the mirror at a time where it has several.

    Where two zones light one spot their patterns would mix; lit one after the other, both are measured there.
    """
    zone_map = zones_of(folder)
    numbers = [int(n) for n in np.unique(zone_map[zone_map != NO_LIGHT])]
    if len(numbers) < 2:
        return [take_scan(console, folder, bench, patterns)]
    group = secrets.token_hex(4)
    taken = []
    for number in numbers:
        lit = Bench(display=MaskedDisplay(bench.display, zone_map == number), camera=bench.camera)
        settings = {"zone": number, "zones": numbers, "group": group}
        taken.append(take_scan(console, folder, lit, patterns, settings=settings))
    return taken


def take_scan(
    console: Console,
    folder: RigFolder,
    bench: Bench,
    patterns: PatternSet | None = None,
    *,
    settings: Mapping[str, Any] | None = None,
) -> ScanTaken:
    """Show the patterns on a bench, photograph and decode them."""
    shown = patterns or fast_set(folder.rig.projector.resolution, folder.rig.projector.transfer)
    start = time.monotonic()
    with new_run(folder.root / SCANS, "scan", folder, settings=settings) as run:
        with console.progress(len(shown.frames), "Scanning") as advance:
            photos = record_scan(run, shown, bench, advance=advance)
        return _decode_into(run, photos, shown, start)


def zones_of(folder: RigFolder) -> NDArray[np.int16]:
    """(H, W) zone of each projector pixel: as measured last, or as designed."""
    try:
        measured, header = read_map(current_result(folder.root) / MAP_FILE)
    except InputError:
        return design_map(folder).zone
    return measured.zone if header.get("rig_hash") == folder.rig_hash else design_map(folder).zone


def import_scan(console: Console, folder: RigFolder, source: Path) -> ScanTaken:
    """Make a scan folder of photographs taken elsewhere."""
    start = time.monotonic()
    with new_run(folder.root / SCANS, "scan --import", folder, settings={"source": source.name}) as run:
        with console.progress(len(list(source.glob("frames/*"))), "Importing") as advance:
            patterns, photos = import_frames(source, run, folder.rig, advance=advance)
        return _decode_into(run, photos, patterns, start)


def _decode_into(run: Path, photos: list[Photo], patterns: PatternSet, start: float) -> ScanTaken:
    shown = time.monotonic()
    decoded = decode(photos, patterns)
    write_decoded(run / DECODED_FILE, decoded)
    return ScanTaken(run=run, decoded=decoded, scan_s=shown - start, decode_s=time.monotonic() - shown)


def scan_figures(decoded: Decoded) -> dict[str, object]:
    """What the scan says of itself: pixels per reason, and the median uncertainty."""
    counts = np.bincount(decoded.reason.ravel(), minlength=len(Reason))
    sigma = np.hypot(decoded.sigma_u_px, decoded.sigma_v_px) / np.sqrt(2.0)
    return {
        "pixels": {reason.name.lower(): int(counts[reason]) for reason in Reason},
        "median_sigma_px": float(np.nanmedian(sigma)),
        "response_shape": decoded.response.shape,
        "noise": {"floor": decoded.noise.floor, "per_light": decoded.noise.per_light},
    }


def tell_scan(console: Console, taken: ScanTaken) -> None:
    """The scan's figures for people."""
    counts = np.bincount(taken.decoded.reason.ravel(), minlength=len(Reason))
    lit = int(counts.sum() - counts[Reason.TOO_DARK])
    console.say(f"Scan {taken.run}")
    console.table(
        [
            ("camera pixels decoded", f"{counts[Reason.OK]} of {lit} lit"),
            ("saturated", f"{counts[Reason.SATURATED]}"),
            ("inconsistent", f"{counts[Reason.INCONSISTENT] + counts[Reason.STRAY] + counts[Reason.OUTSIDE]}"),
            ("median uncertainty", f"{scan_figures(taken.decoded)['median_sigma_px']:.3f} projector px"),
        ]
    )


def _export(console: Console, target: Path, patterns: PatternSet) -> None:
    with console.progress(len(patterns.frames), "Writing patterns") as advance:
        written = export_patterns(target, patterns, advance=advance)
    console.say(f"Wrote {len(written)} patterns to {written[0].parent}.")
    console.say(
        "Show them in order, full screen, pixel for pixel, at no more than 6 a second; photograph each one with"
    )
    console.say("camera position, focus, exposure and white balance locked, so that the white frame is not burnt out.")
    console.say(f"Save the photographs as {target}/frames/0000.png (or .jpg, .tif) and so on,")
    console.say(f"then run: rigwarp scan RIG --import {target}")
    console.result({"patterns": written, "count": len(written)})
    console.caution()


def scan_seconds(taken: Sequence[ScanTaken]) -> dict[str, float]:
    """How long showing and decoding took."""
    return {"scan": sum(one.scan_s for one in taken), "decode": sum(one.decode_s for one in taken)}
