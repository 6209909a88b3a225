"""`fit` says which scan it takes, and when a clock was wrong: an older scan with a later stamp was taken silently."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from small_rig import make_small_rig

from rigwarp.files import complete_runs, new_run, open_rig, runs
from rigwarp.jobs.progress import Silent
from rigwarp.jobs.results import fit


class Heard(Silent):
    """Keeps what is said."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def note(self, text: str) -> None:
        self.notes.append(text)


def test_the_scan_is_named_and_stamps_that_lie_in_the_future_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, real = open_rig(make_small_rig(tmp_path / "rig")), datetime
    scans = folder.root / "scans"
    for year in (2999, 2021):

        class Clock(datetime):
            @classmethod
            def now(cls, tz: Any = None, year: int = year) -> "Clock":
                return cls(year, 1, 2, 3, 4, 5, tzinfo=UTC)

        monkeypatch.setattr(runs, "datetime", Clock)
        with new_run(scans, "scan", folder):
            pass
    monkeypatch.setattr(runs, "datetime", real)
    heard, finished = Heard(), complete_runs(scans)
    fit._say_which(heard, [finished[-1].name], finished)
    assert heard.notes[0] == "Fitting the scan 20210102T030405Z"
    assert "29990102T030405Z lies in the future" in heard.notes[1]
    assert "numbers in start.json" in heard.notes[1]
    heard = Heard()
    fit._say_which(heard, ["a", "b"], finished[1:])
    assert heard.notes == ["Fitting the scan a + b"]
