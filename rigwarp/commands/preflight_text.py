"""The pre-flight's findings for people."""

from rigwarp.capture.preflight.findings import PreflightFinding
from rigwarp.commands.console import Console

_MARKS = {"fine": "ok", "remark": "note", "stop": "STOP"}


def print_findings(console: Console, findings: tuple[PreflightFinding, ...]) -> None:
    """All findings for people, one line each."""
    console.table([(_MARKS[finding.severity], finding.what, finding.text) for finding in findings])
