"""`rigwarp demo`: the whole job on a virtual rig, judged against what was really built."""

from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from rigwarp.commands.camera_text import print_camera
from rigwarp.commands.console import Console, print_next, print_step
from rigwarp.commands.fit_text import as_built_figures, print_fit
from rigwarp.commands.options import JsonOption
from rigwarp.commands.samples_text import print_compared
from rigwarp.commands.scan_text import print_scan
from rigwarp.commands.verify_text import print_verified
from rigwarp.commands.view_text import print_view_shown, shown_result
from rigwarp.errors import UsageError
from rigwarp.files import open_rig, write_text
from rigwarp.files.names import RIG_FILE
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.checks.verify_record import error_figures
from rigwarp.jobs.demo import Demonstrated, DemoSteps, demonstrate, free_folder
from rigwarp.jobs.samples.bench_folder import OFFCUT_BOX
from rigwarp.jobs.samples.demo import SEATINGS, demo_offcuts
from rigwarp.jobs.samples.figure_rows import COLUMNS
from rigwarp.jobs.view.demo import demonstrate_view, view_alone
from rigwarp.reports.measures.coverage import Coverage
from rigwarp.reports.wording import quantity
from rigwarp.rig import parse_rig
from rigwarp.scenarios import create_rig


def demo(
    scenario: Annotated[
        str, typer.Argument(metavar="[SCENARIO]", help="Which rig; or offcut-box, a bench of mirror samples.")
    ] = "round-table",
    directory: Annotated[
        Path | None,
        typer.Option("--dir", metavar="DIR", help="The rig folder to make; by default a new one in rigwarp-demo/."),
    ] = None,
    view_only: Annotated[
        bool, typer.Option("--view-only", help="two-wings: the camera that sees the table through mirrors, alone.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Make a virtual rig and do the whole job on it: trace, camera, scan, fit, prewarp, verify, report.

    The virtual rig is built with the errors of a home-made one; the light in it is computed by a physical model that
    the estimators know nothing about. No projector, camera, screen or GPU is needed.
    """
    console = Console(json=json)
    if scenario == OFFCUT_BOX:
        _offcuts(console, directory or free_folder(scenario))
        return
    root = directory or free_folder(scenario)
    create_rig(scenario, root)
    if view_only:
        _view_only(console, root)
        return
    folder = open_rig(root)
    console.say(f"{folder.rig.name}: a virtual rig in {root}\n")
    steps = DemoSteps(
        designed=partial(_print_design, console),
        photographed=partial(print_camera, console),
        scanned=partial(print_scan, console),
        fitted=partial(print_fit, console),
        verified=partial(print_verified, console),
    )
    shown = demonstrate(console, folder, steps)
    _print(console, shown)
    seen = demonstrate_view(console, folder) if folder.rig.view is not None else None
    if seen is not None:
        print_view_shown(console, seen)
    console.result({**_result(root, shown), **({} if seen is None else shown_result(seen))})
    console.say(f"\nThe whole story, for any browser: open {shown.made.report}")
    print_next(console, folder)
    require_passed(shown.made.fit.verdict)
    if seen is not None:
        require_passed(seen.verified.verdict)


def _view_only(console: Console, root: Path) -> None:
    """The rig without its projector: a tablet on the table tells what each pixel sees."""
    text = (root / RIG_FILE).read_text(encoding="utf-8")
    if parse_rig(text).view is None:
        raise UsageError("--view-only is for rigs with a view: rigwarp demo two-wings --view-only")
    write_text(root / RIG_FILE, view_alone(text), replace=True)
    folder = open_rig(root, without_projector=True)
    console.say(f"{folder.rig.name}, its camera alone: a virtual rig in {root}\n")
    seen = demonstrate_view(console, folder)
    print_view_shown(console, seen)
    console.result({"rig": root, **shown_result(seen)})
    require_passed(seen.verified.verdict)
    console.say()
    print_step(console, "The view is measured.", f"rigwarp view play {root}")


def _offcuts(console: Console, root: Path) -> None:
    """The demo of mirror samples; takes some minutes."""
    made = demo_offcuts(console, root)
    console.say(f"A virtual bench with nine pieces, in {made.root}; each measured {SEATINGS} times\n")
    print_compared(console, made.compared)
    console.say("\nAgainst what the pieces really are (only a virtual bench can tell): found / true")
    words = {column.key: column.words for column in COLUMNS}
    keys = list(next(iter(made.against_truth.values())))
    console.table(
        [
            (name, *(f"{found:.4f} / {true:.4f}" for found, true in (figures[key] for key in keys)))
            for name, figures in made.against_truth.items()
        ],
        head=("sample", *(words[key] for key in keys)),
    )
    console.say(f"\nReport {made.report}")
    console.result({"folder": made.root, "report": made.report, "against_truth": made.against_truth})


def _print_design(console: Console, coverage: Coverage) -> None:
    console.say("The design")
    console.table(coverage.rows())


def _print(console: Console, shown: Demonstrated) -> None:
    figures, left_um = shown.table_map, shown.figure_residual_um
    left = "not told by this scan" if left_um is None else f"{quantity(left_um, 'µm')} rms"
    console.say("\nAgainst what was really built (only a virtual rig can tell)")
    console.table(
        [
            ("table map", f"{quantity(figures['rms_mm'], 'mm')} rms, {quantity(figures['p95_mm'], 'mm')} P95"),
            ("content area covered", f"{100 * figures['coverage']:.1f} %"),
            ("mirror figure, estimate minus truth", left),
        ]
    )
    console.say("\nPictures")
    console.table([(what, str(path)) for what, path in shown.pictures.items()])


def _result(root: Path, shown: Demonstrated) -> dict[str, Any]:
    made = shown.made
    return {
        "rig": root,
        "table_map": shown.table_map,
        "as_built": {**(as_built_figures(made.fit.as_built) or {}), "residual_rms_um": shown.figure_residual_um},
        "verification": {name: error_figures(check.result) for name, check in made.checks.items()},
        "seconds": shown.seconds,
        "pictures": {path.name: path for path in shown.pictures.values()},
        "report": made.report,
    }
