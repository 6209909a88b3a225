"""`rigwarp view`: the installation's own camera, which looks at the table through mirrors."""

import re
from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import AverageOption, DisplayOption, FastOption, JsonOption, ResumeOption, YesOption
from rigwarp.commands.terminal import confirm_fast
from rigwarp.commands.view_text import (
    print_fitted,
    print_played,
    print_scanned,
    print_sheets_fitted,
    print_sheets_scanned,
    print_top_still,
    print_traced,
    print_view_lens,
    print_view_verified,
)
from rigwarp.defaults import LOCAL
from rigwarp.errors import InputError, UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions
from rigwarp.jobs.view.fit import fit_rig_view, scans_of
from rigwarp.jobs.view.lens import calibrate_view_lens
from rigwarp.jobs.view.play import ViewPlayOptions, play_top, top_still
from rigwarp.jobs.view.report import write_view_report
from rigwarp.jobs.view.scan import scan_view, seen_folder
from rigwarp.jobs.view.screen import export_screen, import_screen
from rigwarp.jobs.view.sheets import fit_view_by_sheets, is_by_sheets, scan_sheets
from rigwarp.jobs.view.trace import trace_rig_view
from rigwarp.jobs.view.verify import verify_view
from rigwarp.view import Screen

ACTIONS = ("trace", "lens", "scan", "fit", "verify", "play", "report")
_STILL_ENDINGS = (".png", ".tif")


def view(
    action: Annotated[str, typer.Argument(metavar="ACTION", help=f"{', '.join(ACTIONS)}.")],
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.")],
    photos: Annotated[
        list[Path] | None, typer.Argument(metavar="[PHOTO...]", help="verify: photographs of a sheet laid elsewhere.")
    ] = None,
    sheets: Annotated[
        list[Path] | None,
        typer.Option(
            "--sheet",
            metavar="PHOTO",
            help="scan: a photograph, by the view's camera, of the sheet on the table instead of patterns; may be "
            "repeated. In the first it lies where view.target in rig.toml says; with --screen, too: it tells the "
            "display's glass, and where the table's frame is.",
        ),
    ] = None,
    folder_of_photos: Annotated[
        Path | None, typer.Option("--photos", metavar="DIR", help="lens: photographs of the board held in the hand.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="lens: make a new one; the old one is kept beside it.")
    ] = False,
    still: Annotated[
        tuple[Path, Path] | None,
        typer.Option("--still", metavar="PHOTO OUT.png", help="play: straighten one photograph; nothing is opened."),
    ] = None,
    http: Annotated[
        int | None, typer.Option("--http", metavar="PORT", min=0, max=65535, help="play: for browsers, as Motion JPEG.")
    ] = None,
    http_host: Annotated[
        str, typer.Option("--http-host", help="play: where to listen; 0.0.0.0 lets the whole network look.")
    ] = LOCAL,
    share: Annotated[
        str | None,
        typer.Option("--share", metavar="NAME", help="play: for programs on this computer, through shared memory."),
    ] = None,
    record: Annotated[
        Path | None, typer.Option("--record", metavar="FILE", help="play: into a video, .mp4 or .avi.")
    ] = None,
    window: Annotated[
        bool | None,
        typer.Option("--window/--no-window", help="play: a window; without --http, --share and --record by default."),
    ] = None,
    blend: Annotated[
        bool,
        typer.Option("--blend", help="play: mix two zones where both see the table, and see twice what stands there."),
    ] = False,
    seconds: Annotated[float | None, typer.Option("--seconds", min=0.1, help="play: stop after this time.")] = None,
    dots: Annotated[
        float | None,
        typer.Option(
            "--dots",
            metavar="MM",
            min=2.0,
            max=200.0,
            help="verify: the sheets show dots this far apart, see: rigwarp targets --dots.",
        ),
    ] = None,
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
    resume: ResumeOption = False,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Calibrate the installation's own camera, which sees the table through mirrors, and look through it.

    * trace: what the design sees: how much of the table, how finely, and how far high things seem to stand.

    * scan: the rig's own projector, which has to be calibrated (rigwarp calibrate RIG), shows patterns, and the view's
    camera photographs them over its mirrors.

    * lens: photographs of the board, with the camera out of its housing; the comparison with the design needs it.

    * fit: which place on the table each pixel sees, how aslant, and how the built mirrors stray from the design.

    * verify: a printed sheet, laid anywhere, is measured through the map: the board, or dots (--dots MM), which share
    nothing with any scan. Exit code 6 when it is out of tolerance.

    * play: the straight top view, live; Escape, q or Ctrl-C ends it.

    * report: report.html of the view.

    Without a projector a flat display tells places, a tablet or a monitor on its back. With --export DIR --pixels WxH
    --pitch MM --thickness MM its pictures are written. Lay it on the table, its middle on the table's middle, its top
    edge away from you; show DIR/patterns/0000.png and so on full screen, brightness full and night mode off; photograph
    each with the view's camera into DIR/place-1/frames. Lay it elsewhere, overlapping with where it lay, and photograph
    into DIR/place-2/frames, and so on. Then use --screen DIR. With a photograph of the printed sheet on the table
    behind --sheet, the display's glass need not be known; the map is then as true to scale as the sheet was measured:
    read its pattern's four sides and both diagonals, each twice (view.target: along_x_mm, along_y_mm, diagonals_mm).
    Two more photographs, with the sheet to the left and to the right, help a little.

    The tables view and view.mirror in rig.toml describe camera and mirrors; a rig may have them and no projector.
    """
    if action not in ACTIONS:
        raise UsageError(f'found the action "{action}", expected one of: {", ".join(ACTIONS)}. Choose one of them.')
    if resume and (action != "scan" or sheets or screen is not None or export is not None):
        raise UsageError("--resume is for scans by the projector: rigwarp view scan RIG --resume")
    if dots is not None and action != "verify":
        raise UsageError("--dots belongs to: rigwarp view verify RIG PHOTO --dots MM")
    if scan is not None and action != "fit":
        raise UsageError("--scan chooses the scan of: rigwarp view fit. Leave it out here.")
    step: tuple[str, str] | None = None
    _require_fitting(action, photos=photos, sheets=sheets, lens=folder_of_photos)
    console = Console(json=json)
    folder = open_rig(rig, without_projector=True, without_lens=action == "lens")
    if (screen is not None or export is not None) and action != "scan":
        raise UsageError("--screen and --export belong to: rigwarp view scan. Leave them out here.")
    if action == "play":
        shown = [http is not None, share is not None, record is not None]
        how = ViewPlayOptions(
            window=not any(shown) if window is None else window,
            http_port=http,
            http_host=http_host,
            share=share,
            record=record,
            blend=blend,
            seconds=seconds,
        )
        _play(console, folder, how, still)
    elif export is not None:
        shown_on = _screen(pixels, pitch, thickness, glass)
        seen_folder(folder)
        written = export_screen(console, export, shown_on, set_name=DEFAULT_SET)
        console.say(f"wrote {len(written)} pictures for the display into {export}")
        console.result({"folder": export, "pictures": len(written)})
        step = "The pictures are written.", f"rigwarp view scan {folder.root} --screen {export}"
    elif action == "lens":
        assert folder_of_photos is not None
        made = calibrate_view_lens(console, folder, folder_of_photos, replace=replace)
        print_view_lens(console, folder, made)
        step = "The lens is known.", f"rigwarp view scan {folder.root}"
    elif action == "verify":
        checked = verify_view(console, folder, photos or [], dots_mm=dots)
        print_view_verified(console, checked)
        require_passed(checked.verdict)
        step = "The view is verified.", f"rigwarp view play {folder.root}"
    elif action == "report":
        path = write_view_report(folder)
        console.say(f"wrote {path}")
        console.result({"report": path})
    elif sheets and screen is None:
        print_sheets_scanned(console, scan_sheets(console, folder, sheets))
        step = "The view is scanned.", f"rigwarp view fit {folder.root}"
    elif action == "trace":
        print_traced(console, folder, trace_rig_view(folder, console))
        step = "The view is designed.", f"rigwarp view scan {folder.root}"
    elif action == "fit":
        chosen = scans_of(folder, scan)[0]
        if is_by_sheets(chosen):
            print_sheets_fitted(console, fit_view_by_sheets(console, folder, chosen))
            advice = "Lay the sheet elsewhere and photograph it."
            step = f"The view is fitted. {advice}", f"rigwarp view verify {folder.root} PHOTO"
        else:
            print_fitted(console, fit_rig_view(console, folder, scan))
            step = "The view is fitted.", f"rigwarp view play {folder.root}"
    else:
        if screen is not None:
            print_scanned(console, import_screen(console, folder, screen, sheets or ()))
        else:
            confirm_fast(console, seen_folder(folder), fast=fast_patterns, yes=yes)
            options = ScanOptions(average=average)
            _scan(console, folder, options, display=display, fast=fast_patterns, resume=resume)
        step = "The view is scanned.", f"rigwarp view fit {folder.root}"
    if step is not None:
        console.say()
        print_step(console, *step)


def _require_fitting(action: str, *, photos: list[Path] | None, sheets: list[Path] | None, lens: Path | None) -> None:
    """UsageError where photographs are missing, or given to an action that takes none."""
    if bool(photos) != (action == "verify"):
        found = "no photograph" if action == "verify" else "photographs behind the rig"
        raise UsageError(f"found {found}; verify takes them: rigwarp view verify RIG PHOTO...")
    if (lens is not None) != (action == "lens"):
        raise UsageError("--photos DIR and lens belong together: rigwarp view lens RIG --photos DIR")
    if sheets and action != "scan":
        raise UsageError("--sheet belongs to: rigwarp view scan RIG --sheet PHOTO")


def _play(console: Console, folder: RigFolder, options: ViewPlayOptions, still: tuple[Path, Path] | None) -> None:
    if still is None:
        print_played(console, play_top(folder, options, say=console.note))
        return
    if still[1].suffix.lower() not in _STILL_ENDINGS:
        raise UsageError(f"--still {still[0]} {still[1]}: expected a second name that ends in .png or .tif")
    run, maps = top_still(folder, *still, blend=options.blend)
    print_top_still(console, folder, still[1], run, maps)


def _screen(pixels: str, pitch: float | None, thickness: float | None, glass: float) -> Screen:
    found = re.fullmatch(r"(\d{2,5})x(\d{2,5})", pixels)
    if found is None:
        raise UsageError(f"--pixels: found {pixels!r}, expected width x height such as 1920x1080")
    if pitch is None or thickness is None:
        raise UsageError("--export needs --pitch and --thickness of the display: measure them, or look them up")
    return Screen(pixels=(int(found[1]), int(found[2])), pitch_mm=pitch, thickness_mm=thickness, glass_mm=glass)


def _scan(
    console: Console, folder: RigFolder, options: ScanOptions, *, display: int | None, fast: bool, resume: bool
) -> None:
    seen = seen_folder(folder)
    if not folder.rig.projects:
        raise InputError(
            f"{folder.root}: found a view and no projector that could show patterns. Lay printed sheets or a display "
            "on the table: rigwarp view scan --help"
        )
    console.caution()
    with live_bench(console, seen, display=display, fast=fast, view=True) as bench:
        print_scanned(console, scan_view(console, seen, bench, options, resume=resume))
