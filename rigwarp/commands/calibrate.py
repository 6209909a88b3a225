"""`rigwarp calibrate`: scan, fit, verify and report in one go."""

from functools import partial

from rigwarp.commands.console import Console, print_next
from rigwarp.commands.fit_text import as_built_figures, print_fit
from rigwarp.commands.options import (
    AcceptOption,
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
from rigwarp.commands.terminal import confirm_fast
from rigwarp.commands.verify_text import print_verified, verdict_record
from rigwarp.files import open_rig
from rigwarp.jobs.calibrate import Steps, calibrate_live, require_calibratable
from rigwarp.jobs.checks.verify import require_passed
from rigwarp.jobs.checks.verify_record import error_figures
from rigwarp.jobs.results.fit import not_current
from rigwarp.jobs.scans.scan_runs import ScanOptions


def calibrate(
    rig: RigArgument,
    average: AverageOption = 1,
    look: LookOption = True,
    resume: ResumeOption = False,
    display: DisplayOption = None,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    accept: AcceptOption = False,
    json: JsonOption = False,
) -> None:
    """Scan, fit, verify and report in one go; the result becomes current.

    Exit code 6, and the result is kept but not made current, when the picture is out of the rig's own tolerance, dots
    are missing or seen twice, or the result cannot be what was designed and built.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    require_calibratable(folder, resume=resume)
    console.caution()
    confirm_fast(console, folder, fast=fast_patterns, yes=yes)
    made = calibrate_live(
        console,
        folder,
        ScanOptions(average=average),
        look=look,
        resume=resume,
        display=display,
        fast=fast_patterns,
        accept=accept,
        steps=Steps(
            scanned=partial(print_scan, console),
            fitted=partial(print_fit, console),
            verified=partial(print_verified, console),
        ),
    )
    fit = made.fit
    if fit.current:
        console.say(f"Result {fit.run.name} is now current")
    console.say(f"Report {made.report}")
    console.result(
        {
            "scans": [scan.run for scan in made.scans],
            "result": fit.run,
            "current": fit.current,
            "verdict": verdict_record(fit.verdict),
            "table_map": fit.figures.to_dict(),
            "as_built": as_built_figures(fit.as_built),
            "verification": {name: error_figures(check.result) for name, check in made.checks.items()},
            "report": made.report,
        }
    )
    print_next(console, folder)
    require_passed(fit.verdict, "" if fit.current else not_current(folder.root, fit.run))
