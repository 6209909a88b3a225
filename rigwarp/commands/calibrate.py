"""`rigwarp calibrate`: scan, fit, verify and report in one go."""

from functools import partial

from rigwarp.commands.console import Console
from rigwarp.commands.fit_text import as_built_figures, print_fit
from rigwarp.commands.next_text import print_next
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
from rigwarp.commands.terminal import confirm_fast
from rigwarp.commands.verify_text import print_verified
from rigwarp.files import open_rig
from rigwarp.jobs.calibrate import Steps, calibrate_live, require_calibratable
from rigwarp.jobs.checks.verify import require_tolerance
from rigwarp.jobs.checks.verify_record import error_figures
from rigwarp.jobs.scans.scan_runs import ScanOptions


def calibrate(
    rig: RigArgument,
    average: AverageOption = 1,
    look: LookOption = True,
    resume: ResumeOption = False,
    display: DisplayOption = None,
    fast_patterns: FastOption = False,
    yes: YesOption = False,
    json: JsonOption = False,
) -> None:
    """Scan, fit, verify and report in one go; the result becomes current.

    Exit code 6 when the picture then is out of the rig's own tolerance.
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
        steps=Steps(
            scanned=partial(print_scan, console),
            fitted=partial(print_fit, console),
            verified=partial(print_verified, console),
        ),
    )
    console.say(f"Report {made.report}")
    console.result(
        {
            "scans": [scan.run for scan in made.scans],
            "result": made.fit.run,
            "table_map": made.fit.figures.to_dict(),
            "as_built": as_built_figures(made.fit.as_built),
            "verification": {name: error_figures(check.result) for name, check in made.checks.items()},
            "report": made.report,
        }
    )
    print_next(console, folder)
    require_tolerance(folder, made.checks["after"].result)
