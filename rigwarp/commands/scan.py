"""`rigwarp scan`: patterns out, photographs in, decoded."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_next
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
from rigwarp.commands.scan_text import print_scan
from rigwarp.commands.terminal import AtTerminal, confirm_fast
from rigwarp.defaults import MAX_EXPOSURES, SET_NAMES
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.scans.raised_board import board_note, raised_before
from rigwarp.jobs.scans.raised_check import check_unmoved
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions, scan_figures, scan_seconds, set_for
from rigwarp.jobs.scans.zone_scan import export_scans, import_scans, take_scans
from rigwarp.patterns import PatternSet


def scan(
    rig: RigArgument,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="DIR", help="Write the patterns there; show nothing.")
    ] = None,
    import_: Annotated[
        Path | None, typer.Option("--import", metavar="DIR", help="Take photographs made elsewhere from there.")
    ] = None,
    mend: Annotated[
        bool, typer.Option("--mend", help="With --import: take photographs that are mixed up in the right order.")
    ] = False,
    set_: Annotated[
        str | None, typer.Option("--set", metavar="NAME", help=f"Which patterns: {', '.join(SET_NAMES)} (see below).")
    ] = None,
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
    raised: Annotated[
        float | None,
        typer.Option(
            "--raised",
            metavar="MM",
            min=5.0,
            max=500.0,
            help="A second scan, on a board that stands this much higher than the table.",
        ),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(
            "--table",
            metavar="PHOTO",
            help="With --raised: a photo of the sheet lying on the board; otherwise it is taken now.",
        ),
    ] = None,
    average: AverageOption = 1,
    look: LookOption = True,
    resume: ResumeOption = False,
    display: DisplayOption = None,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Show the patterns, photograph each, and decode them into a scan folder.

    Sets: "fast", the usual one, 24 sinusoids of 4 periods after 8 grey levels; "short", the same after 3, for cameras
    that take more than a second for a photograph, where it is the usual one: places are as sure, what is known of the
    camera's response is half as much; "fine", 48 sinusoids, for less noise; "gray", Gray code and its inverse, then 16
    sinusoids, slower and easy to check by eye. Two of the frames come once more at the end and tell whether something
    moved.

    First a grey light changes 30 times, to measure how long it takes from display to camera. A photograph counts only
    when it must show the new pattern and agrees with the one before it. Escape in the pattern window stops. When a
    device fails, the photographs are kept: --resume goes on at the first missing one, unless something has moved.

    With --export DIR the patterns are written as pictures, to be shown and photographed by other means: show
    DIR/patterns/0000.png and so on full screen at the projector's native size, photograph each with everything locked
    (position, focus, exposure, white balance), and save the photographs as DIR/frames/0000.png (or .jpg, .tif) and so
    on. Then use --import DIR. A camera's own names (IMG_1234.JPG) and numbers from 1 do as well, if nothing else lies
    there; photographs that do not show the pattern of their number are named (exit code 5), and --mend takes those that
    are only mixed up in the right order. A mirror of several zones gets a folder for each, DIR/zone-0 and so on: only
    that zone is lit, but for one picture after white that lights all zones and tells whether the camera moved in
    between. With --exposures 2 the whole set follows once more, for a second exposure time: what is burnt out or too
    dark in one is read from the other.

    One scan cannot tell the mirror's radius from its distance. With --raised 60 a second one is taken on a plain, stiff
    board that stands level on blocks, 60 mm above the table, and covers it; projector, mirror and camera stay as they
    are. The sheet is laid on the board for one photo, which tells the board's true height and tilt, and taken off
    again. When the board is off, a few pictures on the bare table make sure that nothing has moved since the scan of
    it, which comes first. `fit` then uses both scans for the mirror; the picture's map comes from the one on the table
    alone.
    """
    if export is not None and import_ is not None:
        raise UsageError("--export and --import exclude each other: export first, take the photographs, then import")
    if mend and import_ is None:
        raise UsageError("--mend puts photographs made elsewhere in order: add --import DIR")
    if resume and (export is not None or import_ is not None):
        raise UsageError("--resume is for scans with a display and a camera, without --export and --import")
    _check_raised(raised, table, export=export, import_=import_, resume=resume)
    console = Console(json=json)
    folder = open_rig(rig)
    if export is not None:
        _export(console, folder, export, set_for(folder, set_ or DEFAULT_SET, blur, exposures))
        return
    person = AtTerminal(console)
    note = board_note(console, folder, raised, photo=table, live=import_ is None, person=person) if raised else {}
    if import_ is not None:
        taken, height_mm = import_scans(console, folder, import_, note=note, mend=mend), 0.0
    else:
        console.caution()
        confirm_fast(console, folder, fast=fast_patterns, yes=yes)
        options = ScanOptions(set_name=set_, blur_px=blur, exposures=exposures, average=average)
        height_mm = raised_before(folder) if resume else raised or 0.0
        look = look and not resume
        with live_bench(console, folder, display=display, fast=fast_patterns, raised_mm=height_mm, look=look) as bench:
            taken = take_scans(console, folder, bench, options, resume=resume, note=note)
    for one in taken:
        print_scan(console, one)
    if height_mm:
        check_unmoved(console, folder, [one.run for one in taken], display=display, person=person)
    console.result(
        {
            "scan": taken[-1].run,
            "scans": [{"scan": one.run, **scan_figures(one.decoded)} for one in taken],
            "seconds": scan_seconds(taken),
        }
    )
    print_next(console, folder)


def _check_raised(
    raised: float | None, table: Path | None, *, export: Path | None, import_: Path | None, resume: bool
) -> None:
    if table is not None and raised is None:
        raise UsageError("--table is the photo of the sheet on a raised board: add --raised MM, how high it stands")
    if raised is not None and export is not None:
        raise UsageError("--raised goes with the scan itself, not with --export: the patterns are the same")
    if raised is not None and resume:
        raise UsageError("--resume takes the board's height from the scan that was interrupted: leave --raised out")
    if raised is not None and import_ is not None and table is None:
        raise UsageError("--raised with --import needs --table PHOTO: a photo of the sheet lying on the board, too")


def _export(console: Console, folder: RigFolder, target: Path, patterns: PatternSet) -> None:
    written = export_scans(console, folder, target, patterns)
    parts = ", ".join(str(part / "patterns") for part in written)
    console.say(f"Wrote {sum(written.values())} patterns to {parts}.")
    if len(written) > 1:
        console.say("One folder for each zone of the mirror, in which only that zone is lit, but for one picture that")
        console.say("lights all zones and tells whether the camera moved in between; take all folders.")
    console.say(
        "Show them in order, full screen, pixel for pixel, at no more than 6 a second; photograph each one with"
    )
    console.say("camera position, focus, exposure and white balance locked, so that the white frame is not burnt out.")
    console.say(f"Save the photographs as {next(iter(written))}/frames/0000.png (or .jpg, .tif) and so on,")
    console.say(f"then run: rigwarp scan RIG --import {target}")
    paths = [path for part in written for path in sorted((part / "patterns").iterdir())]
    console.result({"patterns": paths, "count": len(paths), "folders": list(written)})
    console.caution()
