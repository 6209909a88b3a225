"""Results on stdout, everything else on stderr."""

import json

import numpy as np
import pytest

from rigwarp.commands.console import Console


def test_text(capsys: pytest.CaptureFixture[str]) -> None:
    console = Console()
    console.say("Table map")
    console.table([("rms", 0.1, "mm"), ("points", 12345, None)], head=("what", "value", "unit"))
    console.note("a note")
    console.result({"rms_mm": 0.1})
    out, err = capsys.readouterr()
    assert out == (
        "Table map\n"
        "  what    value  unit\n"
        "  rms     0.100  mm\n"
        "  points  12345  -\n"
    )  # fmt: skip
    assert err == "a note\n"


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    console = Console(json=True)
    console.say("not shown")
    console.table([("a", 1)])
    console.caution()
    console.result({"rms_mm": np.float64(0.1), "missing": float("nan"), "n": np.int64(3)})
    out, err = capsys.readouterr()
    assert json.loads(out) == {"rms_mm": 0.1, "missing": None, "n": 3}
    assert "Caution" in err
    with pytest.raises(RuntimeError, match="one result"):
        console.result({})


def test_progress_is_silent_away_from_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with Console().stage(10, "Tracing") as advance:
        advance()
        advance(9)
    assert capsys.readouterr() == ("", "")


def test_progress_on_a_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    with Console().stage(10, "Tracing") as advance:
        advance(10)
    out, err = capsys.readouterr()
    assert out == ""
    assert "Tracing" in err
