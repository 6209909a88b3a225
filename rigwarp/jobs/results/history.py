"""All results of a rig, newest first, each in a few figures; and making an older one current again.

The page asks for this in a process of its own, each time: what measures and shows is not imported here.
"""

from dataclasses import dataclass
from pathlib import Path

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, complete_runs, make_current
from rigwarp.files.names import (
    DRIFT_FILE,
    FIT_FILE,
    PREWARP_FILE,
    REPORT_FILE,
    RESULTS,
    START_FILE,
    VERIFICATION_FILE,
)
from rigwarp.files.records import DriftRecord, FitRecord, StartRecord, VerdictRecord, VerificationRecord
from rigwarp.files.runs import current_or_none
from rigwarp.verification.verdict import Verdict


@dataclass(frozen=True, kw_only=True)
class ResultSummary:
    """A result in short.

    Attributes
    ----------
    name : of its folder.
    made_utc, made_by : when, and by which command.
    current : whether it is the live one.
    p95_mm, before_mm : of the check on the table, through its own warp and through the design's; None: not checked.
    checked_unix_s : when that check was, seconds since 1970.
    limit_mm : how much the rig file allows.
    verdict : "within tolerance", "out of tolerance", "not proven"; empty where nobody has judged it.
    against : what speaks against it.
    look_p95_mm, look_findings, look_advice : of the last quick look.
    report : whether it has one.
    """

    name: str
    made_utc: str
    made_by: str
    current: bool
    p95_mm: float | None
    before_mm: float | None
    checked_unix_s: float | None
    limit_mm: float
    verdict: str
    against: tuple[str, ...]
    look_p95_mm: float | None
    look_findings: tuple[str, ...]
    look_advice: str
    report: bool


def results_of(folder: RigFolder) -> tuple[ResultSummary, ...]:
    """The finished results that have a warp, newest first; what cannot be read of one is left out."""
    current = current_or_none(folder.root)
    runs = [run for run in complete_runs(folder.root / RESULTS) if (run / PREWARP_FILE).is_file()]
    return tuple(
        _summary(folder, run, current=current is not None and run.name == current.name) for run in reversed(runs)
    )


def use_result(folder: RigFolder, name: str) -> Path:
    """Make a finished result current; camera.json stays; InputError if there is none of that name."""
    for run in complete_runs(folder.root / RESULTS):
        if run.name == name and (run / PREWARP_FILE).is_file():
            make_current(folder.root, run)
            return run
    raise InputError(f"{folder.root / RESULTS}: found no finished result {name[:40]!r}. Choose one that is listed.")


def verdict_of_fit(result: Path) -> Verdict:
    """What the fit said against a result; nothing where somebody made it current all the same, or it does not tell."""
    fit = FitRecord.read_or_none(result / FIT_FILE)
    said = (fit.verdict if fit is not None else None) or VerdictRecord()
    return Verdict(failures=() if said.accepted else said.failures, not_proven=said.not_proven)


def _summary(folder: RigFolder, run: Path, *, current: bool) -> ResultSummary:
    start, look = StartRecord.read_or_none(run / START_FILE), DriftRecord.read_or_none(run / DRIFT_FILE)
    checked = VerificationRecord.read_or_none(run / VERIFICATION_FILE)
    after, before = (None, None) if checked is None else (checked.after, checked.before)
    verdict = verdict_of_fit(run)
    if checked is not None and checked.verdict is not None:
        verdict = verdict.with_more(Verdict(failures=checked.verdict.failures, not_proven=checked.verdict.not_proven))
    judged = checked is not None or (run / FIT_FILE).is_file()
    return ResultSummary(
        name=run.name,
        made_utc="" if start is None else start.started_utc or "",
        made_by="" if start is None else start.command or "",
        current=current,
        p95_mm=None if after is None else after.p95_mm,
        before_mm=None if before is None else before.p95_mm,
        checked_unix_s=None if checked is None else (run / VERIFICATION_FILE).stat().st_mtime,
        limit_mm=folder.rig.tolerance.content_p95_mm,
        verdict=verdict.state if judged else "",
        against=(*verdict.failures, *verdict.not_proven),
        look_p95_mm=None if look is None or look.picture is None else look.picture.p95_mm,
        look_findings=() if look is None else look.findings,
        look_advice="" if look is None else look.advice or "",
        report=(run / REPORT_FILE).is_file(),
    )
