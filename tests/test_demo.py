"""`rigwarp demo` as a user runs it, and the tour of the README in the folder that it leaves."""

import contextlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import pytest
from readme import tour_commands
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.commands import demo as demo_command
from rigwarp.commands.console import Console
from rigwarp.files import complete_runs, current_result, open_rig, read_decoded
from rigwarp.files.names import DECODED_FILE

COLUMNS = 80
SCENARIOS = ["round-table", "freeform-desk", "folded-counter"]
IN_FULL = "round-table"
"""As a visitor sees it, pixel for pixel; the others have a third of their pixels along each side, to save minutes."""


def also_as_text(method: Callable[..., None], plain: Console, file: Path) -> Callable[..., None]:
    """A method of a console that writes JSON, which writes what people would read into a file as well."""

    def run(console: Console, *words: Any, **how: Any) -> None:
        with file.open("a", encoding="utf-8") as text, contextlib.redirect_stdout(text):
            method(plain, *words, **how)
        method(console, *words, **how)

    return run


def too_long(text: str) -> list[str]:
    """Lines that a terminal would break, but for a single path at their end, which cannot be broken."""
    lines = [line for line in text.split("\n") if len(line) > COLUMNS]
    return [line for line in lines if len(line) - len(line.split()[-1]) > COLUMNS // 2]


@pytest.fixture(scope="module")
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The folder in which a scenario was run as by a visitor, and what the demo said of it."""
    where = tmp_path_factory.mktemp(request.param)
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(io.StringIO()) as written:
        patch.chdir(where)
        if request.param != IN_FULL:
            patch.setattr(demo_command, "create_rig", lambda scenario, root: make_small_rig(root, scenario, share=0.35))
        patch.setenv("COLUMNS", str(COLUMNS))
        plain = Console()
        for method in ("say", "table"):
            patch.setattr(Console, method, also_as_text(getattr(Console, method), plain, where / "said.txt"))
        assert main(["demo", request.param, "--json"]) == 0
    return where / "rigwarp-demo", json.loads(written.getvalue())


@pytest.mark.slow
@pytest.mark.parametrize("demo", SCENARIOS, indirect=True)
def test_the_demo_keeps_its_promises(demo: tuple[Path, dict[str, Any]]) -> None:
    where, said = demo
    assert set(said["table_map"]) >= {"n", "rms_mm", "p95_mm", "max_mm", "coverage"}
    assert said["table_map"]["rms_mm"] <= 0.10
    assert said["table_map"]["coverage"] >= 0.97
    assert said["verification"]["before"]["p95_mm"] >= 3.0
    assert said["verification"]["after"]["p95_mm"] <= 0.5
    assert said["verification"]["after"]["missing"] == 0
    assert said["as_built"]["figure_rms_um"] > 0.0
    assert said["as_built"]["residual_rms_um"] > 0.0
    stages = {"trace", "scan", "decode", "fit", "as_built", "prewarp", "verify", "total"}
    assert set(said["seconds"]) == stages
    assert all(value > 0.0 for value in said["seconds"].values())
    sizes = [(where.parent / picture).stat().st_size for picture in said["pictures"].values()]
    assert min(sizes) > (10_000 if where.joinpath(IN_FULL).exists() else 0)  # the others' are left white
    text = (where.parent / "said.txt").read_text(encoding="utf-8")
    assert too_long(text) == []
    assert "(P95: 95 % of the points are nearer than this)" in text
    assert f"open {said['report']}" in " ".join(text.split())
    assert (where.parent / said["report"]).read_text(encoding="utf-8").lower().startswith("<!doctype html>")


@pytest.mark.slow
@pytest.mark.parametrize("demo", [IN_FULL], indirect=True)
def test_nothing_is_said_of_a_scan_at_which_nothing_happened(demo: tuple[Path, dict[str, Any]]) -> None:
    """Dim light that is thrown beside the table included."""
    (scan,) = complete_runs(demo[0] / IN_FULL / "scans")
    decoded = read_decoded(scan / DECODED_FILE)
    assert (decoded.folded, decoded.corrected, decoded.recovered, decoded.processing) == ("", (), (), ())


@pytest.mark.slow
@pytest.mark.parametrize("demo", [IN_FULL], indirect=True)
def test_the_tour_of_the_readme_runs(
    demo: tuple[Path, dict[str, Any]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its commands work, in their order, in the folder that the demo left."""
    where, _ = demo
    steps = tour_commands()
    assert steps[0] == ["cd", where.name]
    assert len(steps) > 5
    monkeypatch.chdir(where)
    monkeypatch.setenv("COLUMNS", str(COLUMNS))
    for words in steps[1:]:
        assert words[0] == "rigwarp"
        code, said = main(words[1:]), capsys.readouterr()
        assert code == 0, (words, said.err)
        assert too_long(said.out + said.err) == [], words
    rig = where / IN_FULL
    assert cv2.imread("grid.png").shape[:2] == open_rig(rig).rig.projector.resolution[::-1]
    result = current_result(rig)
    assert {"report.html", "warp-obj"} <= {path.name for path in result.iterdir()}


def test_an_unknown_scenario_lists_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "garden-pond"]) == 2
    message = capsys.readouterr().err
    assert "round-table" in message
    assert "freeform-desk" in message


def test_an_existing_folder_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    assert main(["demo", "--dir", str(tmp_path)]) == 3
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    assert "empty" in capsys.readouterr().err
