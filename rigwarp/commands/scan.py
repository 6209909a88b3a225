"""`rigwarp scan`: patterns out, photographs in, decoded."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.capture import export_patterns
from rigwarp.commands.console import Console
from rigwarp.commands.live_bench import live_bench
from rigwarp.commands.options import (
    AverageOption,
    DisplayOption,
    FastOption,
    JsonOption,
    LookOption,
    ResumeOption,
    RigArgument,
    YesOption,
)
from rigwarp.commands.preflight import preflight_before_scan
from rigwarp.commands.scan_runs import (
    DEFAULT_SET,
    ScanWishes,
    import_scan,
    scan_figures,
    scan_seconds,
    set_for,
    tell_scan,
)
from rigwarp.commands.zone_scan import take_scans
from rigwarp.errors import UsageError
from rigwarp.files import open_rig
from rigwarp.patterns import MAX_EXPOSURES, SETS, PatternSet


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
            help="The set N times, with N exposures: the present one, four times as long, a quarter, and so on. With "
            "--export you set them at the camera, each fixed during its turn.",
        ),
    ] = 1,
    average: AverageOption = 1,
    look: LookOption = True,
    resume: ResumeOption = False,
    display: DisplayOption = None,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Show the patterns, photograph each, and decode them into a scan folder.

    Sets: "fast", 24 sinusoids of 4 periods after 8 grey levels; "fine", 48 sinusoids, for less noise; "gray", Gray
    code and its inverse, then 16 sinusoids, slower and easy to check by eye. Two of the frames come once more at the
    end and tell whether something moved.

    First a grey light changes 30 times, to measure how long it takes from display to camera. A photograph counts only
    when it must show the new pattern and agrees with the one before it. Escape in the pattern window stops. When a
    device fails, the photographs are kept: --resume goes on at the first missing one, unless something has moved.

    With --export DIR the patterns are written as pictures, to be shown and photographed by other means: show
    DIR/patterns/0000.png and so on full screen at the projector's native size, photograph each with everything locked
    (position, focus, exposure, white balance), and save the photographs as DIR/frames/0000.png (or .jpg, .tif) and so
    on. Then use --import DIR. With --exposures 2 the whole set follows once more, for a second exposure time: what is
    burnt out or too dark in one is read from the other.
    """
    if export is not None and import_ is not None:
        raise UsageError("--export and --import exclude each other: export first, take the photographs, then import")
    if resume and (export is not None or import_ is not None):
        raise UsageError("--resume is for scans with a display and a camera, without --export and --import")
    console = Console(json=json)
    folder = open_rig(rig)
    if export is not None:
        _export(console, export, set_for(folder, set_, blur, exposures))
        return
    if import_ is not None:
        taken = [import_scan(console, folder, import_)]
    else:
        console.caution()
        wishes = ScanWishes(set_name=set_, blur_px=blur, exposures=exposures, average=average)
        with live_bench(console, folder, display=display, fast=fast_patterns, yes=yes) as bench:
            preflight_before_scan(console, folder, bench, wanted=look and not resume)
            taken = take_scans(console, folder, bench, wishes, resume=resume)
    for one in taken:
        tell_scan(console, one)
    console.result(
        {
            "scan": taken[-1].run,
            "scans": [{"scan": one.run, **scan_figures(one.decoded)} for one in taken],
            "seconds": scan_seconds(taken),
        }
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
