"""What jobs say, in German: a table of sentences, each still said somewhere, and each of a page's job in the table."""

import ast
import json
import re
from pathlib import Path

import pytest

import rigwarp

PACKAGE = Path(rigwarp.__file__).parent
TABLE = PACKAGE / "page" / "static" / "phrases_de.js"
SAID_BY_JOBS = (
    "jobs/checks/verify.py", "jobs/scans/scan_runs.py", "jobs/results/fit.py", "jobs/results/fit_mirror.py",
    "jobs/bench/live_bench.py", "jobs/calibrate.py", "jobs/checks/quick_look.py",
)  # fmt: skip
SEAMS = re.compile(r"\{\}|: |, and |, or |°|check dots")
"""Where a sentence is put together from parts."""
NOT_FROM_THE_PAGE = {"Writing patterns", "Importing"}


def pairs() -> list[tuple[str, str]]:
    lines = [line.strip().rstrip(",") for line in TABLE.read_text().splitlines()]
    return [tuple(json.loads(line)) for line in lines if line.startswith('["')]


def text_of(node: ast.AST) -> str | None:
    """A text as it stands in the code, {} for what is put in; None where it is none."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return re.sub(r"\{[^{}]*\}", "{}", node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(part) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    return None


def said(path: Path) -> list[str]:
    """What a module tells by `note` and `stage`."""
    calls = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]
    told = [call for call in calls if getattr(call.func, "attr", "") in ("note", "stage")]
    return [text for call in told for one in call.args if (text := text_of(one)) is not None]


def test_each_sentence_of_the_table_is_still_said_and_takes_the_same_figures() -> None:
    joined = re.compile(r"\"\s*\n\s*f?\"")  # a text that goes on in the next line
    everything = "\n".join(joined.sub("", path.read_text()) for path in sorted(PACKAGE.rglob("*.py")))
    for english, german in pairs():
        for piece in SEAMS.split(english):
            assert piece.strip(" :.,()") in everything, f"{english!r}: {piece!r} is not said any more"
        wanted = set(range(1, english.count("{}") + 1))
        assert {int(one) for one in re.findall(r"\{(\d)\}", german)} == wanted, english


@pytest.mark.parametrize("name", SAID_BY_JOBS)
def test_whatever_a_job_of_the_page_says_has_its_german(name: str) -> None:
    shapes = [
        re.compile("(.*?)".join(map(re.escape, english.split("{}"))), re.S) for english, _ in pairs()
    ]  # as phrases.js makes them
    for text in said(PACKAGE / name):
        if re.sub(r"\{\}|\W", "", text) and text not in NOT_FROM_THE_PAGE:
            assert any(shape.fullmatch(text) for shape in shapes), text
