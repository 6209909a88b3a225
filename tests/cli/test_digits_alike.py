"""A figure has the same digits in the terminal, in the report and, rounded, in the JSON object."""

import re

import numpy as np
import pytest

from rigwarp.commands.console import Console
from rigwarp.commands.verify_text import print_verification
from rigwarp.jobs.checks.verify_record import Checked, check_figures, dots_record
from rigwarp.reports.sections.verification import _figures_table
from rigwarp.verification.dots.judge import VerificationResult, _judged
from rigwarp.verification.dots.locate import DotsFound
from rigwarp.words import number


def looked_at(stretch: float, noise_mm: float) -> VerificationResult:
    """Dots every 40 mm, seen stretched, sheared and with noise."""
    rng = np.random.default_rng(1)
    grid = np.stack([a.ravel() for a in np.mgrid[-3:4, -3:4]], axis=-1).astype(np.int32)
    wanted = 40.0 * grid
    seen = wanted @ np.array([[stretch, 0.0], [0.3 * (stretch - 1.0), 1.0]]) + noise_mm * rng.normal(size=wanted.shape)
    count = len(grid)
    found = DotsFound(
        ids=np.arange(count, dtype=np.int32),
        table_mm=seen,
        sigma_mm=np.full(count, noise_mm),
        flux=np.ones(count),
        missing={},
        doubled={},
        unreadable=(),
    )
    return _judged(found, wanted, grid)


@pytest.mark.parametrize(("stretch", "noise_mm"), [(1.02, 0.5), (1.000_002, 0.006)])
def test_terminal_report_and_json_agree(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, stretch: float, noise_mm: float
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    check = Checked(result=looked_at(stretch, noise_mm), photo=np.zeros((2, 2), np.uint8))
    print_verification(Console(json=False), {"after": check})
    said = capsys.readouterr().out.replace("\u00a0", " ")
    reported = {row[0]: row[2].replace("\u00a0", " ") for row in _figures_table(None, dots_record(check)).rows}
    told = check_figures(check)
    (row,) = re.findall(r"with the measured warp +(.*)", said)
    keys = {"rms": "rms_mm", "95 % within (P95)": "p95_mm", "largest": "max_mm"}
    for label, key in keys.items():
        assert reported[label] == f"{number(told[key])} mm"
        assert number(told[key]) in row.split()
    assert reported["P95 left after these"].split()[0] in row.split()
    for label, key in (
        ("scale, off the right size", "scale_percent"),
        ("one direction longer than the other", "anisotropy_percent"),
        ("shear", "shear_mrad"),
        ("rotation", "rotation_mrad"),
    ):
        assert reported[label].split()[0] == number(told["affine"][key])
        assert reported[label] in said
