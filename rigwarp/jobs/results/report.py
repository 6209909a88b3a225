"""report.html of the current result."""

from dataclasses import dataclass
from pathlib import Path

from rigwarp.files import RigFolder, current_result
from rigwarp.reports.report import write_report


@dataclass(frozen=True, kw_only=True)
class ReportMade:
    """A result folder and the report that was written into it."""

    result: Path
    report: Path


def report_current(folder: RigFolder) -> ReportMade:
    """Write the report of the current result, in place of an older one; see `write_report`."""
    result = current_result(folder.root)
    return ReportMade(result=result, report=write_report(folder, result))
