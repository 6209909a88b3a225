"""`rigwarp calibrate`: scan, fit, verify and report in one go."""

from dataclasses import dataclass
from pathlib import Path

from rigwarp.commands.budget import print_coverage
from rigwarp.commands.console import Console
from rigwarp.commands.fit import FitMade, as_built_figures, camera_of, fit_scans, print_fit
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
from rigwarp.commands.raised_board import refuse_raised
from rigwarp.commands.scan_runs import ScanOptions, ScanTaken, print_scan
from rigwarp.commands.verify import Checked, error_figures, print_verification, require_tolerance, verify_result
from rigwarp.commands.zone_scan import take_scans
from rigwarp.devices import Bench
from rigwarp.files import RigFolder, open_rig
from rigwarp.reports.report import write_report


@dataclass(frozen=True, kw_only=True)
class Calibrated:
    """Everything that one calibration made."""

    scans: list[ScanTaken]
    fit: FitMade
    checks: dict[str, Checked]
    report: Path


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
    camera_of(folder)  # better missed now than after the scan
    if resume:
        refuse_raised(folder)
    console.caution()
    with live_bench(console, folder, display=display, fast=fast_patterns, yes=yes) as bench:
        preflight_before_scan(console, folder, bench, wanted=look and not resume)
        made = calibrate_rig(console, folder, bench, ScanOptions(average=average), resume=resume)
    console.say(f"Report {made.report}")
    console.result(
        {
            "scans": [scan.run for scan in made.scans],
            "result": made.fit.run,
            "table_map": made.fit.figures,
            "as_built": as_built_figures(made.fit.as_built),
            "verification": {name: error_figures(check.result) for name, check in made.checks.items()},
            "report": made.report,
        }
    )
    require_tolerance(folder, made.checks["after"].result)


def calibrate_rig(
    console: Console, folder: RigFolder, bench: Bench, options: ScanOptions | None = None, *, resume: bool = False
) -> Calibrated:
    """Scan, fit, verify and report on a bench, telling each step; `resume` goes on with an interrupted scan."""
    scans = take_scans(console, folder, bench, options, resume=resume)
    for scan in scans:
        print_scan(console, scan)
    fit = fit_scans(console, folder, [scan.run for scan in scans], decoded=[scan.decoded for scan in scans])
    print_fit(console, fit)
    checks = verify_result(console, folder, fit.run, bench)
    print_verification(console, checks)
    print_coverage(console, fit.run)
    return Calibrated(scans=scans, fit=fit, checks=checks, report=write_report(folder, fit.run))
