"""`rigwarp view`: the installation's own camera, which looks at the table through mirrors."""

import re
from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.next_text import print_step
from rigwarp.commands.options import AverageOption, DisplayOption, FastOption, JsonOption, YesOption
from rigwarp.commands.terminal import confirm_fast
from rigwarp.commands.view_text import print_fitted, print_scanned, print_traced
from rigwarp.errors import InputError, UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.next_step import NextStep
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions
from rigwarp.jobs.view.fit import fit_rig_view
from rigwarp.jobs.view.scan import scan_view, seen_folder
from rigwarp.jobs.view.screen import export_screen, import_screen
from rigwarp.jobs.view.trace import trace_rig_view
from rigwarp.view import Screen

ACTIONS = ("trace", "scan", "fit")


def view(
    action: Annotated[str, typer.Argument(metavar="ACTION", help=f"{', '.join(ACTIONS)}.", show_default=False)],
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.", show_default=False)],
    scan: Annotated[
        str | None,
        typer.Option("--scan", metavar="STAMP", help="fit: the scan to use; by default the latest finished one."),
    ] = None,
    screen: Annotated[
        Path | None,
        typer.Option("--screen", "--import", metavar="DIR", help="scan: photographs of a display on the table."),
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="DIR", help="scan: write the pictures for that display there.")
    ] = None,
    pixels: Annotated[
        str, typer.Option("--pixels", metavar="WxH", help="With --export: its native pixels.")
    ] = "1920x1080",
    pitch: Annotated[
        float | None,
        typer.Option("--pitch", metavar="MM", min=0.01, max=5.0, help="With --export: from pixel to pixel."),
    ] = None,
    thickness: Annotated[
        float | None,
        typer.Option("--thickness", metavar="MM", min=0.0, max=100.0, help="With --export: its glass over the table."),
    ] = None,
    glass: Annotated[
        float, typer.Option("--glass", metavar="MM", min=0.0, max=20.0, help="With --export: glass over its pixels.")
    ] = 1.0,
    average: AverageOption = 1,
    display: DisplayOption = None,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Calibrate the installation's own camera, which sees the table through mirrors, and look through it.

    * trace: what the design sees: how much of the table, how finely, and how far high things seem to stand.

    * scan: the rig's own projector, which has to be calibrated (rigwarp calibrate RIG), shows patterns, and the view's
    camera photographs them over its mirrors.

    * fit: which place on the table each pixel sees, how aslant, and how the built mirrors stray from the design.

    Without a projector a flat display tells places, a tablet or a monitor on its back. With --export DIR --pixels WxH
    --pitch MM --thickness MM its pictures are written. Lay it on the table, its middle on the table's middle, its top
    edge away from you; show DIR/patterns/0000.png and so on full screen, brightness full and night mode off; photograph
    each with the view's camera into DIR/place-1/frames. Lay it elsewhere, overlapping with where it lay, and photograph
    into DIR/place-2/frames, and so on. Then use --screen DIR.

    [view] and [[view.mirror]] in rig.toml describe camera and mirrors; a rig may have them and no projector.
    """
    if action not in ACTIONS:
        raise UsageError(f'found the action "{action}", expected one of: {", ".join(ACTIONS)}. Choose one of them.')
    if scan is not None and action != "fit":
        raise UsageError("--scan chooses the scan of: rigwarp view fit. Leave it out here.")
    console = Console(json=json)
    folder = open_rig(rig, without_projector=True)
    if (screen is not None or export is not None) and action != "scan":
        raise UsageError("--screen and --export belong to: rigwarp view scan. Leave them out here.")
    if export is not None:
        _export(console, folder, export, _screen(pixels, pitch, thickness, glass))
        step = NextStep(
            standing="The pictures are written.", command=f"rigwarp view scan {folder.root} --screen {export}"
        )
    elif action == "trace":
        print_traced(console, folder, trace_rig_view(folder, console))
        step = NextStep(standing="The view is designed.", command=f"rigwarp view scan {folder.root}")
    elif action == "fit":
        print_fitted(console, fit_rig_view(console, folder, scan))
        step = NextStep(standing="The view is fitted.", command=f"rigwarp view play {folder.root}")
    else:
        if screen is not None:
            print_scanned(console, import_screen(console, folder, screen))
        else:
            confirm_fast(console, seen_folder(folder), fast=fast_patterns, yes=yes)
            options = ScanOptions(average=average, set_name=DEFAULT_SET)
            _scan(console, folder, options, display=display, fast=fast_patterns)
        step = NextStep(standing="The view is scanned.", command=f"rigwarp view fit {folder.root}")
    console.say()
    print_step(console, step)


def _screen(pixels: str, pitch: float | None, thickness: float | None, glass: float) -> Screen:
    found = re.fullmatch(r"(\d{2,5})x(\d{2,5})", pixels)
    if found is None:
        raise UsageError(f"--pixels: found {pixels!r}, expected width x height such as 1920x1080")
    if pitch is None or thickness is None:
        raise UsageError("--export needs --pitch and --thickness of the display: measure them, or look them up")
    return Screen(pixels=(int(found[1]), int(found[2])), pitch_mm=pitch, thickness_mm=thickness, glass_mm=glass)


def _export(console: Console, folder: RigFolder, target: Path, screen: Screen) -> None:
    seen_folder(folder)
    written = export_screen(console, target, screen, set_name=DEFAULT_SET)
    console.say(f"wrote {len(written)} pictures for the display into {target}")
    console.result({"folder": target, "pictures": len(written)})


def _scan(console: Console, folder: RigFolder, options: ScanOptions, *, display: int | None, fast: bool) -> None:
    seen = seen_folder(folder)
    if not folder.rig.projects:
        raise InputError(
            f"{folder.root}: found a view and no projector that could show patterns. Lay printed sheets or a display "
            "on the table: rigwarp view scan --help"
        )
    console.caution()
    with live_bench(console, seen, display=display, fast=fast, view=True) as bench:
        print_scanned(console, scan_view(console, seen, bench, options))
