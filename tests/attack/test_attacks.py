"""What must hold whatever is in a file and whenever a command dies. Short here; long by two variables:

RIGWARP_FUZZ_ROUNDS=100  spoils each file of a rig so often on which every command was at work (2: a quick rig's files)
RIGWARP_KILL_ALL=1       kills the commands that measure, too, and each command at every call
"""

import functools
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import attacked_rig
import fuzz
import killed
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.files import current_result, leftovers, open_rig, read_adjustment, write_adjustment
from rigwarp.jobs.bench.check import what_is_there
from rigwarp.sheets.pdf import SHEET_FORMATS, STANDARD_TARGET, draw_target

ROUNDS = int(os.environ.get("RIGWARP_FUZZ_ROUNDS", "2"))
KILL_ALL = os.environ.get("RIGWARP_KILL_ALL", "") not in ("", "0")
_KILLS = 8
"""Of one command, when not all: spread over its calls."""
PARTS = 16 if KILL_ALL else 1
"""Of all kills of a command, for several processes (-n)."""


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    return attacked_rig.make_quick_rig(tmp_path_factory.mktemp("attacked") / "rig")


@pytest.fixture(scope="module")
def whole_rig(tmp_path_factory):
    return attacked_rig.make_whole_rig(tmp_path_factory.mktemp("attacked") / "rig")


def test_no_spoiled_file_does_more_than_be_refused(request):
    rig = request.getfixturevalue("rig" if ROUNDS <= 2 else "whole_rig")
    done = subprocess.run(
        [sys.executable, fuzz.__file__, rig, "7", str(ROUNDS)],
        env={**os.environ, "OPENCV_LOG_LEVEL": "OFF", "PYGAME_HIDE_SUPPORT_PROMPT": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,  # libpng and libjpeg write there themselves
        text=True,
        check=True,
        timeout=600 + 100 * ROUNDS,
    )
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["failures"] == []
    assert found["largest_mib"] < fuzz.MOST_MIB
    assert sum(found["tried"].values()) >= 14 * ROUNDS


def test_every_file_of_a_rig_that_is_read_is_among_those_that_are_spoiled():
    assert fuzz.never_spoiled() == set()


def export(root: Path) -> int:
    return main(["export", str(root), "--format", "csv", "--out", str(root / "exported"), "--replace"])


def correct(root: Path) -> int:
    write_adjustment(root / "adjust.json", attacked_rig.CORRECTION, revision=2)
    return 0


def add_result(root: Path) -> int:
    attacked_rig.add_result(root)
    return 0


def command(*words: str) -> Callable[[Path], int]:
    return lambda root: main([words[0], str(root), *words[1:]])


def new(root: Path) -> int:
    return main(["new", str(root / "made"), "--kind", "profile"])


@functools.cache
def drawn(paper_name: str) -> Any:
    """One sheet of each paper: drawing takes a second, and is not what is killed here."""
    paper = next(paper for paper in SHEET_FORMATS if paper.name == paper_name)
    return draw_target(STANDARD_TARGET, paper)


def targets(root: Path) -> int:
    with mock.patch("rigwarp.commands.targets.draw_target", lambda _, paper: drawn(paper.name)):
        return main(["targets", str(root / "sheets"), "--rig", str(root)])


SHORT = {
    "export": export,
    "new": new,
    "targets": targets,
    "correct": correct,
    "a result": add_result,
    "tidy": command("check", "--tidy", "--yes"),
    "service": lambda root: main(
        ["play", str(root), "check:grid", "--write-service", str(root / f"made-{len(os.listdir(root))}.service")]
    ),
}
LONG = {
    **{name: command(name) for name in ("trace", "scan", "fit", "verify", "report")},
    "samples": lambda root: main(["samples", "new", str(root / "bench")]),
    "reregister": command("verify", "--quick", "--reregister"),
    "refine": attacked_rig.refine,
    "calibrate": command("calibrate"),
    "camera": lambda root: main(["camera", str(root), "--table", str(root / "sheet.png"), "--replace"]),
}


def names_taken(root: Path) -> dict[str, bytes]:
    """Every file under its own name."""
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file() and ".part" not in str(p)}


def is_whole(root: Path) -> None:
    """Each file under its own name can be read, and the current result is one."""
    folder = open_rig(root)
    what_is_there(folder)
    assert (current_result(root) / "prewarp.npz").is_file()
    read_adjustment(root / "adjust.json")
    for name in names_taken(root):
        if name.endswith("rig.toml"):
            open_rig((root / name).parent)
        elif name.endswith(".json"):
            json.loads((root / name).read_text())
        elif name.endswith(".npz"):
            with np.load(root / name) as file:
                assert "header" in file.files


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("name", [*SHORT, *(LONG if KILL_ALL else ())])
def test_a_killed_command_leaves_a_rig_that_works_and_can_be_run_again(request, tmp_path, name, part, capsys):
    rig = request.getfixturevalue("rig" if name in SHORT else "whole_rig")
    run = SHORT.get(name) or LONG[name]

    def fresh(folder: str) -> Path:
        root = tmp_path / folder
        shutil.copytree(rig, root)
        assert name != "export" or export(root) == 0
        if name == "tidy":
            (root / "scans" / "20260101T000000Z" / "frames").mkdir(parents=True)
            (root / "results" / ".fit.json.1234.part").write_bytes(b"half")
        return root

    root = fresh("counted")
    with killed.killed_after(None) as all_calls:
        assert run(root) == 0
    assert all_calls.made > 0
    picked = np.unique(np.linspace(0, all_calls.made - 1, all_calls.made if KILL_ALL else _KILLS).astype(int))
    for last in picked[part::PARTS]:
        root = fresh(f"killed{last}")
        with killed.killed_after(int(last)), pytest.raises(killed.Killed):
            run(root)
        is_whole(root)
        assert name != "export" or (root / "exported" / "export.json").is_file()
        assert run(root) == 0
        is_whole(root)
        assert main(["check", str(root), "--tidy", "--yes"]) == 0
        assert leftovers(root) == []
        shutil.rmtree(root)
    capsys.readouterr()
