"""`rigwarp view`: the installation's own camera, which looks at the table through mirrors."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.options import AverageOption, DisplayOption, FastOption, JsonOption, YesOption
from rigwarp.commands.terminal import confirm_fast
from rigwarp.commands.view_text import print_fitted, print_scanned, print_traced
from rigwarp.errors import InputError, UsageError
from rigwarp.files import RigFolder, open_rig
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.scans.scan_runs import DEFAULT_SET, ScanOptions
from rigwarp.jobs.view.fit import fit_rig_view
from rigwarp.jobs.view.scan import scan_view, seen_folder
from rigwarp.jobs.view.trace import trace_rig_view

ACTIONS = ("trace", "scan", "fit")


def view(
    action: Annotated[str, typer.Argument(metavar="ACTION", help=f"{', '.join(ACTIONS)}.", show_default=False)],
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="The rig folder, or its rig.toml.", show_default=False)],
    scan: Annotated[
        str | None,
        typer.Option("--scan", metavar="STAMP", help="fit: the scan to use; by default the latest finished one."),
    ] = None,
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

    [view] and [[view.mirror]] in rig.toml describe camera and mirrors; a rig may have them and no projector.
    """
    if action not in ACTIONS:
        raise UsageError(f'found the action "{action}", expected one of: {", ".join(ACTIONS)}. Choose one of them.')
    if scan is not None and action != "fit":
        raise UsageError("--scan chooses the scan of: rigwarp view fit. Leave it out here.")
    console = Console(json=json)
    folder = open_rig(rig, without_projector=True)
    if action == "trace":
        print_traced(console, folder, trace_rig_view(folder, console))
    elif action == "fit":
        print_fitted(console, folder, fit_rig_view(console, folder, scan))
    else:
        confirm_fast(console, seen_folder(folder), fast=fast_patterns, yes=yes)
        options = ScanOptions(average=average, set_name=DEFAULT_SET)
        _scan(console, folder, options, display=display, fast=fast_patterns)


def _scan(console: Console, folder: RigFolder, options: ScanOptions, *, display: int | None, fast: bool) -> None:
    seen = seen_folder(folder)
    if not folder.rig.projects:
        raise InputError(
            f"{folder.root}: found a view and no projector that could show patterns. Lay printed sheets or a display "
            "on the table: rigwarp view scan --help"
        )
    console.caution()
    with live_bench(console, seen, display=display, fast=fast, view=True) as bench:
        print_scanned(console, folder, scan_view(console, seen, bench, options))
