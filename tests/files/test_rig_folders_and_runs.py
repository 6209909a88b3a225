"""Rig folders, run folders, and which result is current."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    complete_runs,
    current_result,
    is_complete,
    latest_complete,
    make_current,
    new_run,
    open_rig,
    read_start,
    runs,
    write_stl,
)
from rigwarp.geometry import TriangleMesh

MESH_RIG = """
format = "rigwarp rig"
version = 1
[projector]
resolution = [1280, 720]
throw_ratio = 1.2
position_mm = [0, 0, 400]
aim_mm = [0, 0, 500]
[mirror]
kind = "mesh"
file = "parts/mirror.stl"
[[obstacle]]
file = "parts/mirror.stl"
[table]
shape = "circle"
diameter_mm = 500
[content]
shape = "circle"
diameter_mm = 480
"""
TRIANGLE = TriangleMesh(vertices_mm=np.eye(3), faces=np.array([[0, 1, 2]]))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "rig"
    (root / "parts").mkdir(parents=True)
    (root / "rig.toml").write_text(MESH_RIG)
    write_stl(root / "parts" / "mirror.stl", TRIANGLE)
    return root


@pytest.fixture
def folder(root: Path) -> RigFolder:
    return open_rig(root)


def test_folder_or_file(root: Path) -> None:
    by_folder, by_file = open_rig(root), open_rig(root / "rig.toml")
    assert by_folder.root == by_file.root == root
    assert by_folder.rig_hash == by_file.rig_hash
    np.testing.assert_array_equal(by_folder.meshes["parts/mirror.stl"].vertices_mm, np.eye(3))
    assert by_folder.rig_text == MESH_RIG


def test_profile_rig(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(
        MESH_RIG.replace('"mesh"', '"profile"')
        .replace("parts/mirror.stl", "profile.csv", 1)
        .replace('[[obstacle]]\nfile = "parts/mirror.stl"\n', "")
    )
    (tmp_path / "profile.csv").write_text("r_mm,z_mm\n0,0\n1,0.1\n2,0.4\n3,0.9\n")
    assert open_rig(tmp_path).profiles["profile.csv"].shape == (4, 2)


def test_byte_order_mark_is_accepted(root: Path) -> None:
    (root / "rig.toml").write_bytes(b"\xef\xbb\xbf" + MESH_RIG.encode())
    assert open_rig(root).rig.name == "unnamed rig"


def test_impossible_file_names(root: Path) -> None:
    for name in ("x" * 5000 + ".stl", "parts/mirror.stl/a.stl"):
        (root / "rig.toml").write_text(MESH_RIG.replace("parts/mirror.stl", name))
        with pytest.raises(InputError, match=r"mirror\.file"):
            open_rig(root)


def test_missing_mesh_names_the_key(root: Path) -> None:
    (root / "parts" / "mirror.stl").unlink()
    with pytest.raises(InputError, match=r"mirror\.stl: found no such file.*rig\.toml: mirror\.file"):
        open_rig(root)


def test_not_a_rig_folder(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(InputError, match=r"found no rig\.toml there"):
            open_rig(path)
    (tmp_path / "rig.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(InputError, match="not UTF-8"):
        open_rig(tmp_path)


def test_hash_follows_the_design(root: Path) -> None:
    first = open_rig(root).rig_hash
    assert open_rig(root).rig_hash == first
    moved = TriangleMesh(vertices_mm=2 * np.eye(3), faces=TRIANGLE.faces)
    write_stl(root / "parts" / "mirror.stl", moved, replace=True)
    second = open_rig(root).rig_hash
    (root / "rig.toml").write_text(MESH_RIG + "# remark\n")
    assert len({first, second, open_rig(root).rig_hash}) == 3


def test_run_records(folder: RigFolder) -> None:
    with new_run(folder.root / "scans", "rigwarp scan x", folder, settings={"n": np.int64(3)}) as run:
        assert not is_complete(run)
        (run / "frames").mkdir()
    assert re.fullmatch(r"\d{8}T\d{6}Z", run.name)
    start = read_start(run)
    assert (start.command, start.settings) == ("rigwarp scan x", {"n": 3})
    assert (start.rig_hash, start.rig_toml) == (folder.rig_hash, MESH_RIG)
    assert set(start.versions) == {"rigwarp", "python", "numpy", "opencv"}
    stop = json.loads((run / "stop.json").read_text())
    assert stop["exit_status"] == 0
    assert stop["seconds"] >= 0.0
    assert latest_complete(folder.root / "scans") == run


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError, SystemExit])
def test_interrupted_run_is_never_used(folder: RigFolder, error: type[BaseException]) -> None:
    with new_run(folder.root / "scans", "first", folder) as good:
        pass
    with pytest.raises(error), new_run(folder.root / "scans", "second", folder) as bad:
        raise error
    assert (bad / "start.json").exists()
    assert not (bad / "stop.json").exists()
    assert complete_runs(folder.root / "scans") == [good]
    with pytest.raises(InputError, match=r"no stop\.json"):
        make_current(folder.root, bad)


def test_runs_of_one_second_keep_their_order(folder: RigFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    class Stopped(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> "Stopped":
            return cls(2026, 1, 2, 3, 4, 5, tzinfo=UTC)

    monkeypatch.setattr(runs, "datetime", Stopped)
    made = []
    for _ in range(11):
        with new_run(folder.root / "scans", "x", folder) as run:
            made.append(run)
    assert made[0].name == "20260102T030405Z"
    assert made[10].name == "20260102T030405Z-11"
    assert complete_runs(folder.root / "scans") == made  # -10 after -9, not after -1


def test_no_runs_yet(folder: RigFolder) -> None:
    assert complete_runs(folder.root / "scans") == []
    with pytest.raises(InputError, match="rigwarp scan"):
        latest_complete(folder.root / "scans")
    with pytest.raises(InputError, match="rigwarp fit"):
        current_result(folder.root)


@pytest.mark.parametrize("stop", ["", "{", '{"format": "rigwarp run stop", "version": 1, "exit_status": 5}', "[]"])
def test_bad_stop_record_is_no_stop_record(folder: RigFolder, stop: str) -> None:
    with new_run(folder.root / "scans", "x", folder) as run:
        pass
    (run / "stop.json").write_text(stop)
    assert complete_runs(folder.root / "scans") == []


def test_other_folders_are_no_runs(folder: RigFolder) -> None:
    with new_run(folder.root / "scans", "x", folder) as run:
        pass
    run.rename(run.with_name("copy of " + run.name))
    assert complete_runs(folder.root / "scans") == []


def test_current(folder: RigFolder) -> None:
    with new_run(folder.root / "results", "fit", folder) as first:
        pass
    make_current(folder.root, first)
    assert current_result(folder.root) == first
    with new_run(folder.root / "results", "fit", folder) as second:
        pass
    assert current_result(folder.root) == first
    make_current(folder.root, second)
    assert current_result(folder.root) == second
    assert json.loads((folder.root / "current.json").read_text())["result"] == f"results/{second.name}"


def test_current_outside_the_folder_is_refused(folder: RigFolder, tmp_path: Path) -> None:
    with new_run(tmp_path / "elsewhere", "fit", folder) as run:
        pass
    with pytest.raises(InputError, match="outside"):
        make_current(folder.root, run)


@pytest.mark.parametrize("result", ["results/nothing", "../elsewhere/x", "", "a\0b", 5, None, "/", "/etc"])
def test_tampered_current(folder: RigFolder, result: Any) -> None:
    contents = {"format": "rigwarp current", "version": 1, "result": result}
    (folder.root / "current.json").write_text(json.dumps(contents))
    with pytest.raises(InputError, match=r"current\.json"):
        current_result(folder.root)
