"""What people read fits a terminal of 80 columns, and words are explained where they are first used."""

import io
import re
from contextlib import redirect_stdout
from itertools import pairwise
from pathlib import Path

import pytest

from rigwarp.cli import COMMANDS, main
from rigwarp.commands.console import Console
from rigwarp.commands.lines import columns_of, filled, table_lines, together
from rigwarp.words import MEANINGS, Glosses

COLUMNS = 80


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(COLUMNS))


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_fits_without_ragged_lines(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """No line is too long, and none ends where the next line's first word still had room."""
    assert main([*([command] if command else []), "--help"]) == 0
    lines = [line.rstrip() for line in capsys.readouterr().out.split("\n")]
    assert max(map(len, lines)) <= COLUMNS
    assert not [line for line in lines if "…" in line]
    prose = [line for line in lines if line and line[0] == " "]
    for line, after in pairwise(lines):
        if line in prose and after in prose:
            assert len(line) + 1 + len(after.split()[0]) > COLUMNS - 1, (line, after)


def test_text_is_broken_at_spaces_and_indented() -> None:
    text = "  - " + "word " * 30 + "\nshort"
    lines = filled(text, COLUMNS).split("\n")
    assert len(lines) == 3
    assert lines[1].startswith("    word")
    assert lines[-1] == "short"
    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    path = "/a" * 60
    assert filled(f"Report {path} is there", COLUMNS).split("\n") == ["Report", path, "is there"]
    command = "rigwarp play tables/a rig check:grid"
    assert command in filled(
        "All is well with this and with that, so that it can go on. Next: " + together(command), 60
    )


def test_a_pipe_gets_whole_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS")
    assert columns_of(io.StringIO()) is None
    assert filled("word " * 50, None) == "word " * 50


def test_wide_tables_are_broken_in_their_widest_columns() -> None:
    rows = [("name", "0.123", "words " * 20), ("a longer name", "12", "few")]
    lines = table_lines(rows, head=("what", "number", "said"), right=(False, True, False), columns=COLUMNS)
    assert max(map(len, lines)) <= COLUMNS
    assert len(lines) == 5
    assert lines[0].index("said") == lines[1].index("words") == lines[2].index("words") == lines[-1].index("few")
    assert lines[1].index("0.123") + 5 == lines[-1].index("12") + 2
    whole = table_lines(rows, right=(False, True, False), columns=None)
    assert len(whole) == 2


def test_words_are_explained_once_and_stand_in_the_glossary() -> None:
    glosses = Glosses()
    assert [word for word, _ in glosses.first_used("0.1 mm P95, without power; zone 1")] == ["P95", "power", "zone"]
    assert glosses.first_used("P95 and power") == []
    assert [word for word, _ in glosses.first_used("the data cannot tell: decentring of the mirror")] == [
        "the data cannot tell",
        "decentring",
    ]
    terms = glosses.first_used("Z(4, -2) 2nd astigmatism; (k = 2, per axis)")
    assert [word for word, _ in terms] == ["Z(n, m)", "k = 2"]
    assert [word for word, _ in glosses.first_used("the fold between panels; light folds over itself")] == ["fold"]
    listed = (Path(__file__).parents[2] / "demos" / "glossary.md").read_text(encoding="utf-8")
    words = " ".join(re.findall(r"^\| ([^|]+) \|", listed, re.MULTILINE))
    assert [word for word in MEANINGS if word not in words] == []


def test_the_console_explains_below_what_it_says() -> None:
    with redirect_stdout(io.StringIO()) as written:
        console = Console()
        console.table([("table map", "0.010 mm rms, 0.016 mm P95")])
        console.say("0.3 mm P95")
    lines = written.getvalue().split("\n")
    assert lines[1] == "    (P95: 95 % of the points are nearer than this)"
    assert lines[2:] == ["0.3 mm P95", ""]


def test_a_path_too_long_for_the_terminal_leaves_the_other_columns_whole() -> None:
    rows = [("before and after, photographed", "r" * 70), ("x", "y")]
    lines = table_lines(rows, right=(False, False), columns=80)
    assert lines[0] == "  before and after, photographed  " + "r" * 70
    assert len(lines) == 2
