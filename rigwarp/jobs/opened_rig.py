"""A rig folder opened from Python: each job of the command line as a method that returns its result."""

from pathlib import Path
from typing import TYPE_CHECKING

from rigwarp.files import RigFolder, current_result
from rigwarp.jobs.progress import NOBODY, SILENT, Person, Progress

if TYPE_CHECKING:
    from rigwarp.devices import DisplayChoice
    from rigwarp.jobs.bench.camera_record import CameraMade
    from rigwarp.jobs.calibrate import Calibrated
    from rigwarp.jobs.checks.drift import Looked
    from rigwarp.jobs.checks.refine import RefinedResult
    from rigwarp.jobs.checks.verify import Verified
    from rigwarp.jobs.results.fit import FitMade
    from rigwarp.jobs.results.history import ResultSummary
    from rigwarp.jobs.scans.scan_runs import ScanOptions, ScanTaken
    from rigwarp.jobs.trace import Traced
    from rigwarp.live.library import LoadedWarp


class OpenedRig:
    """A rig and its jobs. Make it with `rigwarp.open_rig`.

    Every method raises the errors of `rigwarp.errors` and leaves in the rig folder what the command of its name leaves.

    Attributes
    ----------
    folder : what rig.toml says, and the files it names.
    """

    def __init__(self, folder: RigFolder, *, progress: Progress = SILENT, person: Person = NOBODY) -> None:
        self.folder = folder
        self._progress, self._person = progress, person

    @property
    def result(self) -> Path:
        """The folder of the current result."""
        return current_result(self.folder.root)

    def trace(self) -> "Traced":
        """What the design promises."""
        from rigwarp.jobs.trace import trace_rig

        return trace_rig(self.folder, self._progress)

    def camera(
        self, *, lens: Path | str | None = None, table: Path | str | None = None, replace: bool = False
    ) -> "CameraMade":
        """camera.json, from photographs on disk, or taken now where none are named.

        Parameters
        ----------
        lens : folder of photographs of the hand-held board.
        table : photograph of the sheet on the table.
        replace : put a camera.json that is there aside.
        """
        from rigwarp.jobs.bench.camera import calibrate_camera
        from rigwarp.jobs.bench.camera_live import take_photos

        if table is None:
            taken = take_photos(self._progress, self.folder, preview=False, person=self._person)
            lens, table = taken.lens, taken.table
        board = None if lens is None else Path(lens)
        return calibrate_camera(self._progress, self.folder, lens=board, table=Path(table), replace=replace)

    def scan(
        self, options: "ScanOptions | None" = None, *, resume: bool = False, display: "DisplayChoice" = None
    ) -> "list[ScanTaken]":
        """Patterns out, photographs in, decoded: one scan per zone, at the rate that keeps to three flashes a second.

        Parameters
        ----------
        resume : go on with the scan that was interrupted last.
        display : number of the projector's monitor, or a display that is open.
        """
        from rigwarp.jobs.bench.live_bench import live_bench
        from rigwarp.jobs.scans.scan_runs import ScanOptions
        from rigwarp.jobs.scans.zone_scan import take_scans

        with live_bench(self._progress, self.folder, display=display, look=not resume) as bench:
            return take_scans(self._progress, self.folder, bench, options or ScanOptions(), resume=resume)

    def fit(self, scan: str | None = None, *, accept: bool = False) -> "FitMade":
        """Table map, mirror and prewarp from a scan (the latest finished one).

        They become current unless the verdict has failures; with `accept` they do in any case.
        """
        from rigwarp.jobs.results.fit import fit_rig

        return fit_rig(self._progress, self.folder, scan, accept=accept)

    def verify(self, *, before: bool = True, display: "DisplayChoice" = None) -> "Verified":
        """Check pictures through the current warp, measured on the table; `before`: through the design's warp too."""
        from rigwarp.jobs.checks.verify import verify_current

        return verify_current(self._progress, self.folder, before=before, display=display)

    def look(self, *, reregister: bool = False, display: "DisplayChoice" = None) -> "Looked":
        """Five photographs: what has moved since the last verification? `reregister`: put it right where that helps."""
        from rigwarp.jobs.checks.drift import look_quickly

        return look_quickly(self._progress, self.folder, display=display, correct=reregister)

    def refine(self, sheet: "list[Path] | None" = None, *, display: int | None = None) -> "RefinedResult":
        """Feed what the check dots show back into a new result; `sheet`: photographs that tell the table's shape."""
        from rigwarp.jobs.checks.refine import refine_current

        return refine_current(self._progress, self.folder, sheet or [], display=display)

    def report(self) -> Path:
        """Write report.html of the current result, in place of an older one; gives back where it is."""
        from rigwarp.reports.report import write_report

        return write_report(self.folder, self.result)

    def calibrate(
        self, options: "ScanOptions | None" = None, *, display: "DisplayChoice" = None, accept: bool = False
    ) -> "Calibrated":
        """Scan, fit, verify and report in one go; the result becomes current unless the verdict has failures."""
        from rigwarp.jobs.calibrate import calibrate_live

        return calibrate_live(self._progress, self.folder, options, display=display, accept=accept)

    def results(self) -> "tuple[ResultSummary, ...]":
        """All finished results in short, newest first."""
        from rigwarp.jobs.results.history import results_of

        return results_of(self.folder)

    def use(self, name: str) -> Path:
        """Make the result of that name current."""
        from rigwarp.jobs.results.history import use_result

        return use_result(self.folder, name)

    def warp(self) -> "LoadedWarp":
        """The current warp, for programs that draw themselves."""
        from rigwarp.live.library import load_warp

        return load_warp(self.folder.root)
