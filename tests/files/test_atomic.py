"""Files are written whole or not at all, and never over another one unasked."""

import errno
import json
import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.files import atomic, write_bytes, write_json, write_npz, write_text


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_contents_and_nothing_else(tmp_path: Path) -> None:
    write_bytes(tmp_path / "a.bin", b"\0\1\2")
    write_text(tmp_path / "b.txt", "Spiegel ø 72 mm\n")
    assert (tmp_path / "a.bin").read_bytes() == b"\0\1\2"
    assert (tmp_path / "b.txt").read_text(encoding="utf-8") == "Spiegel ø 72 mm\n"
    assert names(tmp_path) == ["a.bin", "b.txt"]


def test_refuses_to_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "first")
    with pytest.raises(InputError, match="already there"):
        write_text(path, "second")
    assert path.read_text() == "first"
    write_text(path, "third", replace=True)
    assert path.read_text() == "third"
    assert names(tmp_path) == ["a.txt"]


def test_refuses_a_name_taken_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process takes the name while we write."""
    path = tmp_path / "a.txt"
    write_through = atomic._write_through

    def slow(temporary: Path, data: bytes, **how: bool) -> None:
        write_through(temporary, data, **how)
        path.write_text("theirs")

    monkeypatch.setattr(atomic, "_write_through", slow)
    with pytest.raises(InputError, match="already there"):
        write_text(path, "ours")
    assert path.read_text() == "theirs"
    assert names(tmp_path) == ["a.txt"]


def test_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The FAT of a memory card has none."""

    def no_links(*_: Any) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write_text(tmp_path / "a.txt", "x")
    assert (tmp_path / "a.txt").read_text() == "x"
    with pytest.raises(InputError, match="already there"):
        write_text(tmp_path / "a.txt", "y")


@pytest.mark.parametrize(
    "failure", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt(), MemoryError()]
)
@pytest.mark.parametrize("exists", [False, True])
def test_crash_while_writing_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failure: BaseException, exists: bool
) -> None:
    """Half of the bytes are on the disk when it happens."""
    path = tmp_path / "map.npz"
    if exists:
        path.write_bytes(b"old")

    def half(temporary: Path, data: bytes, **_: bool) -> None:
        temporary.write_bytes(bytes(data)[: len(data) // 2])
        raise failure

    monkeypatch.setattr(atomic, "_write_through", half)
    expected = InputError if isinstance(failure, OSError) else type(failure)
    with pytest.raises(expected):
        write_bytes(path, b"new contents", replace=True)
    assert names(tmp_path) == (["map.npz"] if exists else [])
    assert not exists or path.read_bytes() == b"old"


def test_killed_while_writing_leaves_no_file_of_that_name(tmp_path: Path) -> None:
    """SIGKILL runs no clean-up: what is left carries the temporary ending, which no reader looks at."""
    script = (
        "import os, sys, pathlib; from rigwarp.files import atomic\n"
        "os.fsync = lambda _: os.kill(os.getpid(), 9)\n"
        "atomic.write_bytes(pathlib.Path(sys.argv[1]) / 'frame.png', b'x' * 1000)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False)
    assert done.returncode == -9
    left = names(tmp_path)
    assert len(left) == 1
    assert left[0].endswith(atomic.TEMPORARY_ENDING)


@pytest.mark.skipif(os.name == "nt", reason="Windows has other permissions")
def test_permissions_are_the_usual_ones(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    write_text(tmp_path / "ours", "")
    assert stat.S_IMODE((tmp_path / "ours").stat().st_mode) == stat.S_IMODE((tmp_path / "plain").stat().st_mode)


def test_missing_folder_is_explained(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_text(tmp_path / "nowhere" / "a.txt", "x")


def test_json_is_plain(tmp_path: Path) -> None:
    values = {"array": np.array([1.5, np.nan]), "number": np.float32(2), "path": Path("a/b"), "flag": np.bool_(True)}
    write_json(tmp_path / "a.json", values, format="rigwarp test", version=3)
    assert json.loads((tmp_path / "a.json").read_text()) == {
        "format": "rigwarp test",
        "version": 3,
        "array": [1.5, None],
        "number": 2.0,
        "path": "a/b",
        "flag": True,
    }


def test_npz_refuses_to_hide_its_header(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="header"):
        write_npz(tmp_path / "a.npz", {"header": np.zeros(1)}, format="rigwarp test")
    with pytest.raises(ValueError, match="Object arrays"):
        write_npz(tmp_path / "a.npz", {"a": np.array([{}])}, format="rigwarp test")
    assert names(tmp_path) == []
