"""Scan, fit, verify and report in one go."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rigwarp.devices import Bench
from rigwarp.files import RigFolder
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.bench.preflight import preflight_before_scan
from rigwarp.jobs.checks.verify import Verified, verify_result
from rigwarp.jobs.checks.verify_record import Checked
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.fit import FitMade, camera_of, fit_scans
from rigwarp.jobs.scans.raised_board import refuse_raised
from rigwarp.jobs.scans.scan_runs import ScanOptions, ScanTaken
from rigwarp.jobs.scans.zone_scan import take_scans
from rigwarp.reports.report import write_report


@dataclass(frozen=True, kw_only=True)
class Calibrated:
    """Everything that one calibration made."""

    scans: list[ScanTaken]
    fit: FitMade
    checks: dict[str, Checked]
    report: Path


def untold(made: object) -> None:
    """A step that nobody waits for."""


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Who is told of each step's result while the next one is still to come."""

    scanned: Callable[[ScanTaken], None] = untold
    fitted: Callable[[FitMade], None] = untold
    verified: Callable[[Verified], None] = untold


UNTOLD = Steps()


def require_calibratable(folder: RigFolder, *, resume: bool = False) -> None:
    """Raise InputError for what a calibration would miss after its scan: a camera, an interrupted scan of the table."""
    camera_of(folder)
    if resume:
        refuse_raised(folder)


def calibrate_live(
    progress: Progress,
    folder: RigFolder,
    options: ScanOptions | None = None,
    *,
    look: bool = True,
    resume: bool = False,
    display: int | None = None,
    fast: bool = False,
    steps: Steps = UNTOLD,
) -> Calibrated:
    """Open the rig's devices, look whether a scan is worth it, and calibrate with them.

    Parameters
    ----------
    look : whether to look first; an interrupted scan goes on without.
    display, fast : see `live_bench`.
    resume, steps : see `calibrate_rig`.
    """
    require_calibratable(folder, resume=resume)
    with live_bench(progress, folder, display=display, fast=fast) as bench:
        preflight_before_scan(progress, folder, bench, wanted=look and not resume)
        return calibrate_rig(progress, folder, bench, options, resume=resume, steps=steps)


def calibrate_rig(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    options: ScanOptions | None = None,
    *,
    resume: bool = False,
    steps: Steps = UNTOLD,
) -> Calibrated:
    """Scan, fit, verify and report on a bench.

    Parameters
    ----------
    resume : go on with an interrupted scan.
    steps : told of each step.
    """
    scans = take_scans(progress, folder, bench, options, resume=resume)
    for scan in scans:
        steps.scanned(scan)
    fit = fit_scans(progress, folder, [scan.run for scan in scans], decoded=[scan.decoded for scan in scans])
    steps.fitted(fit)
    verified = verify_result(progress, folder, fit.run, bench)
    steps.verified(verified)
    return Calibrated(scans=scans, fit=fit, checks=verified.checks, report=write_report(folder, fit.run))
