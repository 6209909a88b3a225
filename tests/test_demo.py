"""`rigwarp demo` as a user runs it: one JSON object, what it promises, and a folder full of results."""

import json
from pathlib import Path

import pytest

from rigwarp.cli import main


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["round-table", "freeform-desk", "folded-counter"])
def test_the_demo_keeps_its_promises(scenario: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = tmp_path / scenario
    assert main(["demo", scenario, "--dir", str(root), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
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
    assert all(Path(picture).stat().st_size > 10_000 for picture in said["pictures"].values())
    assert Path(said["report"]).read_text(encoding="utf-8").lower().startswith("<!doctype html>")


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
