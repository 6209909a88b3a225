"""`rigwarp scan`: patterns out, photographs in, decoded."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from rigwarp.capture import Recorded, export_patterns, import_frames, record_scan
from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.decode import Decoded, Reason
from rigwarp.devices import Bench, open_bench
from rigwarp.errors import UsageError
from rigwarp.files import SCANS, RigFolder, new_run, open_rig, write_decoded
from rigwarp.patterns import MAX_EXPOSURES, SETS, PatternSet, make_set

DECODED_FILE = "decoded.npz"
DEFAULT_SET = "fast"
_MOVED_WORTH_TELLING = 0.005


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
    set_: Annotated[
        str, typer.Option("--set", metavar="NAME", help=f"Which patterns: {', '.join(SETS)} (see below).")
    ] = DEFAULT_SET,
    blur: Annotated[
        float | None,
        typer.Option(
            "--blur",
            metavar="PX",
            min=0.0,
            help="Sigma of the projector's blur on the table, in its pixels, that the periods are chosen for. "
            "By default it is measured first; --export takes ordinary periods.",
        ),
    ] = None,
    exposures: Annotated[
        int,
        typer.Option(
            "--exposures",
            metavar="N",
            min=1,
            max=MAX_EXPOSURES,
            help="With --export: the set N times, to be photographed with N exposures, each fixed during its turn.",
        ),
    ] = 1,
    json: JsonOption = False,
) -> None:
    """Show the patterns, photograph each, and decode them into a scan folder.

    Sets: "fast", 24 sinusoids of 4 periods after 8 grey levels; "fine", 48 sinusoids, for less noise; "gray", Gray
    code and its inverse, then 16 sinusoids, slower and easy to check by eye. Two of the frames come once more at the
    end and tell whether something moved.

    With --export DIR the patterns are written as pictures, to be shown and photographed by other means: show
    DIR/patterns/0000.png and so on full screen at the projector's native size, photograph each with everything locked
    (position, focus, exposure, white balance), and save the photographs as DIR/frames/0000.png (or .jpg, .tif) and so
    on. Then use --import DIR. With --exposures 2 the whole set follows once more, for a second exposure time: what is
    burnt out or too dark in one is read from the other.
    """
    if export is not None and import_ is not None:
        raise UsageError("--export and --import exclude each other: export first, take the photographs, then import")
    console = Console(json=json)
    folder = open_rig(rig)
    if exposures > 1 and export is None:
        raise UsageError("--exposures works with --export only: the exposure is set at the camera, between the turns")
    if export is not None:
        _export(console, export, _set_for(folder, set_, blur, exposures))
        return
    if import_ is not None:
        taken = [import_scan(console, folder, import_)]
    else:
        console.caution()
        with open_bench(folder) as bench:
            from rigwarp.commands.zone_scan import take_scans  # it is built of this module's take_scan

            taken = take_scans(console, folder, bench, set_name=set_, blur_px=blur)
    for one in taken:
        tell_scan(console, one)
    console.result(
        {
            "scan": taken[-1].run,
            "scans": [{"scan": one.run, **scan_figures(one.decoded)} for one in taken],
            "seconds": scan_seconds(taken),
        }
    )


def take_scan(
    console: Console,
    folder: RigFolder,
    bench: Bench,
    *,
    set_name: str = DEFAULT_SET,
    blur_px: float | None = None,
    part: Mapping[str, Any] | None = None,
) -> ScanTaken:
    """Show the patterns on a bench, photograph and decode them; without a blur the periods follow the one measured.

    `part` is noted in the run's settings: of which group of scans it is one.
    """
    shown = _set_for(folder, set_name, blur_px)
    adapt = None if blur_px is not None else partial(_set_for, folder, set_name)
    noted = {"set": set_name, "blur_px": blur_px, **(part or {})}
    start = time.monotonic()
    with new_run(folder.root / SCANS, "scan", folder, settings=noted) as run:
        with console.progress(len(shown.frames), "Scanning") as advance:
            recorded = record_scan(run, shown, bench, advance=advance, adapt=adapt)
        return _decode_into(run, recorded, start)


def _set_for(folder: RigFolder, name: str, blur_px: float | None, exposures: int = 1) -> PatternSet:
    projector = folder.rig.projector
    return make_set(name, projector.resolution, projector.transfer, blur_px=blur_px, exposures=exposures)


def import_scan(console: Console, folder: RigFolder, source: Path) -> ScanTaken:
    """Make a scan folder of photographs taken elsewhere."""
    start = time.monotonic()
    with new_run(folder.root / SCANS, "scan --import", folder, settings={"source": source.name}) as run:
        with console.progress(len(list(source.glob("frames/*"))), "Importing") as advance:
            recorded = import_frames(source, run, folder.rig, advance=advance)
        return _decode_into(run, recorded, start)


def _decode_into(run: Path, recorded: Recorded, start: float) -> ScanTaken:
    shown = time.monotonic()
    decoded = recorded.decoder.finish()
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
        "moved_share": decoded.moved_share,
        "folded": decoded.folded or None,
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
            ("moved during the scan", f"{counts[Reason.MOVED]}"),
            ("median uncertainty", f"{scan_figures(taken.decoded)['median_sigma_px']:.3f} projector px"),
        ]
    )
    if taken.decoded.moved_share > _MOVED_WORTH_TELLING:
        console.note(
            f"{taken.decoded.moved_share:.1%} of the decodable pixels moved during the scan; they are left out."
        )
    if taken.decoded.folded:
        console.note(f"Not everything is single-valued: {taken.decoded.folded}. These parts are left out.")


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
