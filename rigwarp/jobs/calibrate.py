"""Scan, fit, verify and report in one go."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rigwarp.devices import Bench, DisplayChoice
from rigwarp.files import RigFolder, rig_locked
from rigwarp.files.camera_file import camera_of
from rigwarp.jobs.bench.live_bench import live_bench
from rigwarp.jobs.checks.verify import DotsShown, Verified, check_dots, verify_result
from rigwarp.jobs.checks.verify_record import Checked
from rigwarp.jobs.freed_memory import give_back_memory, share_one_heap
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.results.design_ahead import DesignAhead
from rigwarp.jobs.results.fit import FitMade, WarpMade, fit_scans
from rigwarp.jobs.scans.raised_board import refuse_raised
from rigwarp.jobs.scans.scan_runs import ScanOptions, ScanTaken
from rigwarp.jobs.scans.zone_scan import take_scans
from rigwarp.reports.report import write_report
from rigwarp.verification.verdict import Verdict


@dataclass(frozen=True, kw_only=True)
class Calibrated:
    """Everything that one calibration made.

    Attributes
    ----------
    fit : its verdict speaks of the picture, too.
    checks : empty where the fit failed: then nothing was shown.
    """

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
    display: DisplayChoice = None,
    fast: bool = False,
    accept: bool = False,
    steps: Steps = UNTOLD,
) -> Calibrated:
    """Open the rig's devices, look whether a scan is worth it, and calibrate with them.

    Parameters
    ----------
    look : whether to look first; an interrupted scan goes on without.
    display, fast : see `live_bench`.
    resume, accept : see `calibrate_rig`.
    """
    share_one_heap()
    require_calibratable(folder, resume=resume)
    with live_bench(progress, folder, display=display, fast=fast, look=look and not resume) as bench:
        return calibrate_rig(progress, folder, bench, options, resume=resume, accept=accept, steps=steps)


def calibrate_rig(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    options: ScanOptions | None = None,
    *,
    resume: bool = False,
    accept: bool = False,
    steps: Steps = UNTOLD,
) -> Calibrated:
    """Scan, fit, verify and report on a bench; the result becomes current when nothing speaks against it.

    Parameters
    ----------
    resume : go on with an interrupted scan.
    accept : make the result current whatever speaks against it.
    """
    design = DesignAhead(folder)  # while the camera is waited for
    scans = take_scans(progress, folder, bench, options, resume=resume)
    give_back_memory()  # of the photographs
    for scan in scans:
        steps.scanned(scan)
    runs, decoded = [scan.run for scan in scans], [scan.decoded for scan in scans]
    dots: list[DotsShown] = []

    def shown(made: WarpMade) -> Verdict:
        """Only what has to be known before the picture goes live; the other check pictures follow."""
        if made.verdict.failures and not accept:
            return made.verdict
        dots.append(check_dots(progress, folder, made.run, bench))
        return dots[0].verdict

    with rig_locked(folder.root, "calibrate"):
        fit = fit_scans(progress, folder, runs, decoded=decoded, design=design, accept=accept, show=shown)
        steps.fitted(fit)
        verified = verify_result(progress, folder, fit.run, bench, dots_shown=dots[0]) if dots else None
        if verified is not None:
            steps.verified(verified)
        give_back_memory()
        report = write_report(folder, fit.run)
    return Calibrated(scans=scans, fit=fit, checks={} if verified is None else verified.checks, report=report)
