"""Single findings about files: each came through once, and is refused in one line now."""

import errno
import importlib.util
import io
import json
import os
import random
import struct
import subprocess
import sys
import time
import types
import zipfile
import zlib
from pathlib import Path

import attacked_rig
import cv2
import mutations
import numpy as np
import pytest
from matplotlib.path import Path as OutlinePath

from rigwarp.cli import main
from rigwarp.errors import InputError
from rigwarp.files import (
    Field,
    atomic,
    leftovers,
    open_rig,
    read_adjustment,
    read_colour,
    read_map,
    read_npz,
    read_prewarp,
    rig_lock,
    write_adjustment,
    write_bytes,
    write_npz,
)
from rigwarp.files.exports import export_folder
from rigwarp.files.exports.export_folder import new_export
from rigwarp.live.operate.operator import Input, Operator
from rigwarp.live.run.unattended import open_log, service_text
from rigwarp.live.sources.opening import open_source
from rigwarp.prewarp import Adjustment, Drag
from rigwarp.prewarp.adjustment import MOST_CORNERS, MOST_DRAGS, hidden_mm


@pytest.fixture(scope="module")
def good_rig(tmp_path_factory):
    return attacked_rig.make_quick_rig(tmp_path_factory.mktemp("hostile") / "rig")


@pytest.fixture
def content(good_rig):
    return open_rig(good_rig).rig.content


def png_of(width: int, height: int) -> bytes:
    """A small PNG that claims this size."""
    data = cv2.imencode(".png", np.zeros((4, 4, 3), np.uint8))[1].tobytes()
    head = b"IHDR" + struct.pack(">II", width, height) + data[24:29]
    return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]


def test_a_read_only_disk_is_named_and_not_the_clean_up(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(atomic, "_write_through", refuse)
    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(InputError, match="Read-only"):
        write_bytes(tmp_path / "a.bin", b"")


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device", "/rig/x"), MemoryError()])
def test_what_disk_or_memory_refuse_anywhere_is_no_unexpected_error(tmp_path, monkeypatch, capsys, error):
    from rigwarp.commands import new_rig

    def fail(*_, **__):
        raise error

    monkeypatch.setattr(new_rig, "create_rig", fail)
    assert main(["new", str(tmp_path / "rig")]) == 3
    assert "unexpected" not in capsys.readouterr().err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a full disk ready")
def test_a_log_on_a_full_disk_says_nothing_and_stops_nothing(capsys):
    import logging

    handler = open_log(Path("/dev/full"))
    logging.getLogger("rigwarp").addHandler(handler)
    try:
        logging.getLogger("rigwarp.live").warning("lost")
    finally:
        logging.getLogger("rigwarp").removeHandler(handler)
        handler.close()
    assert "Traceback" not in capsys.readouterr().err


def test_a_picture_is_measured_by_its_head_before_it_is_decoded(tmp_path, monkeypatch):
    path = tmp_path / "bomb.png"
    path.write_bytes(png_of(30_000, 30_000))
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("it was decoded"))
    with pytest.raises(InputError, match="30000 x 30000 pixels, expected at most 200 million"):
        read_colour(path)


@pytest.mark.parametrize("kind", ["pipe.png", "pipe.mp4", "zero", "pipe in a folder"])
def test_pipes_and_devices_are_refused_at_once(tmp_path, content, kind):
    name = tmp_path / kind
    if kind == "zero":
        name = Path("/dev/zero")
    elif kind == "pipe in a folder":
        name.mkdir()
        os.mkfifo(name / "a.png")
    else:
        os.mkfifo(name)
    began = time.monotonic()
    with pytest.raises(InputError):
        open_source(str(name), content)
    assert time.monotonic() - began < 5.0  # without the refusal it would never end


@pytest.mark.parametrize(
    "text", ["ffconcat version 1.0\nfile {}\n", "#EXTM3U\n#EXTINF:1,\n{}\n", "<?xml version='1.0'?><MPD>{}</MPD>"]
)
@pytest.mark.parametrize("decoder", ["av", "cv2"])
def test_a_script_that_calls_itself_a_video_opens_no_other_file(tmp_path, text, decoder):
    from rigwarp.live.sources.decoding import open_reader

    other = tmp_path / "secret.mp4"
    writer = cv2.VideoWriter(str(other), cv2.VideoWriter_fourcc(*"mp4v"), 25, (64, 48))
    writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    assert open_reader(other, decoder).duration_s > 0
    script = tmp_path / "script.mp4"
    script.write_text(text.format("secret.mp4"))
    with pytest.raises(InputError, match="cannot be read as a video"):
        open_reader(script, decoder)


@pytest.mark.parametrize("name", ["../mirror.stl", "/etc/mirror.stl", "C:/mirror.stl", "parts/../../mirror.stl"])
def test_a_rig_names_only_files_of_its_own_folder(tmp_path, name):
    assert main(["new", str(tmp_path / "rig"), "--like", "freeform-desk"]) == 0
    path = tmp_path / "rig" / "rig.toml"
    path.write_text(path.read_text().replace('"mirror.stl"', f'"{name}"'))
    with pytest.raises(InputError, match="leads out of the rig folder"):
        open_rig(path.parent)


def test_a_mesh_of_millions_of_triangles_is_refused_before_it_is_read(tmp_path):
    assert main(["new", str(tmp_path / "rig"), "--like", "freeform-desk"]) == 0
    os.truncate(tmp_path / "rig" / "mirror.stl", 84 + 50 * 9_000_000)
    with pytest.raises(InputError, match="found 429 MiB, expected at most 256"):
        open_rig(tmp_path / "rig")


def test_numbers_beyond_a_float_and_maps_of_another_size(good_rig, tmp_path):
    prewarp = next((good_rig / "results").glob("*/prewarp.npz"))
    with np.load(prewarp) as file:
        arrays = {name: file[name] for name in file.files}
    header = json.loads(str(arrays["header"]))
    for key in ("transfer", "mesh_error_px"):
        write = {**arrays, "header": np.array(json.dumps({**header, key: 10**400}))}
        np.savez(tmp_path / "prewarp.npz", **write)
        with pytest.raises(InputError, match=f"{key}: found 1000"):
            read_prewarp(tmp_path / "prewarp.npz")
    width, height = open_rig(good_rig).rig.projector.resolution
    with pytest.raises(InputError, match="expected the projector's"):
        read_map(good_rig / "design.npz", resolution=(width, height + 1))


def test_arrays_are_measured_before_they_are_read(tmp_path):
    bomb = mutations.npz_bomb(_small_npz(tmp_path), random.Random(2))
    (tmp_path / "bomb.npz").write_bytes(bomb)
    field = Field(kind="f", dtype=np.float64, shape=("N", "M"))
    with pytest.raises(InputError, match="GiB"):
        read_npz(tmp_path / "bomb.npz", {"a": field}, format="rigwarp test")


def _small_npz(folder: Path) -> bytes:
    write_npz(folder / "a.npz", {"a": np.zeros((2, 2))}, format="rigwarp test")
    data = (folder / "a.npz").read_bytes()
    assert zipfile.ZipFile(io.BytesIO(data)).namelist() == ["header.npy", "a.npy"]  # no array of NumPy's own
    return data


def test_corrections_are_bounded_where_they_are_made_and_where_they_are_read(tmp_path):
    path = tmp_path / "adjust.json"
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    for too_much in (
        Adjustment(masks=(square,) * (MOST_CORNERS // 4 + 1)),
        Adjustment(drags=(Drag(at_mm=(0, 0), by_mm=(1, 0)),) * (MOST_DRAGS + 1)),
    ):
        write_adjustment(path, too_much, revision=1)
        with pytest.raises(InputError, match="at most"):
            read_adjustment(path)
    full = Operator(Adjustment(masks=(square,) * (MOST_CORNERS // 4)))
    full.key("7")
    full.pointer(Input(kind="press"), (5.0, 5.0))
    assert full.corners == []


def test_what_is_hidden_is_what_an_outside_library_says():
    """Random self-crossing polygons; matplotlib's Path fills by winding, so single turns only: star-shaped ones."""
    dice = np.random.default_rng(4)
    points = dice.uniform(-100, 100, (4000, 2))
    points[::97] = np.nan
    angles = np.sort(dice.uniform(0, 2 * np.pi, 60))
    ring = (dice.uniform(20, 90, 60) * np.array([np.cos(angles), np.sin(angles)])).T
    hidden = hidden_mm(points.reshape(40, 100, 2), Adjustment(masks=(tuple(map(tuple, ring)),)))
    np.testing.assert_array_equal(hidden.ravel(), OutlinePath(ring).contains_points(points))


def test_the_most_that_a_correction_may_hold_is_looked_up_in_seconds():
    """At a quarter of full HD along each side; a minute before, in the thread that tells systemd of life."""
    dice = np.random.default_rng(5)
    table = np.stack(np.meshgrid(np.linspace(-300, 300, 480), np.linspace(-300, 300, 270)), axis=-1)
    masks = tuple(tuple(map(tuple, dice.uniform(-300, 300, (10, 2)))) for _ in range(MOST_CORNERS // 10))
    began = time.process_time()
    assert hidden_mm(table, Adjustment(masks=masks)).any()
    assert time.process_time() - began < 3.0


def test_a_rig_has_one_writer_and_its_lock_goes_with_the_process(tmp_path, capsys):
    rig = tmp_path / "rig"
    assert main(["new", str(rig)]) == 0
    program = (
        "import sys, time; from pathlib import Path; from rigwarp.files import rig_locked\n"
        "with rig_locked(Path(sys.argv[1]), 'scan'): print('locked', flush=True); time.sleep(60)"
    )
    other = subprocess.Popen([sys.executable, "-c", program, rig], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "locked\n"
        capsys.readouterr()
        assert main(["check", str(rig), "--tidy"]) == 3
        assert f"process {other.pid} (scan, since" in capsys.readouterr().err
        assert main(["scan", str(rig), "--resume"]) == 3
        assert f"process {other.pid} (scan, since" in capsys.readouterr().err
        open_rig(rig)  # readers are free
    finally:
        other.kill()
        other.communicate()
    assert main(["check", str(rig), "--tidy"]) == 0


def test_on_windows_a_byte_behind_what_is_written_is_locked(tmp_path, monkeypatch):
    """The module as Windows runs it, loaded twice for two processes; its locks are played by a table."""
    held = {}

    def locking(descriptor, mode, count):
        assert (mode, count) == (2, 1)
        place = os.fstat(descriptor).st_ino, os.lseek(descriptor, 0, os.SEEK_CUR)
        assert place[1] > 1000
        if held.setdefault(place, descriptor) != descriptor:
            raise PermissionError(errno.EACCES, "Permission denied")

    def loaded():
        spec = importlib.util.spec_from_file_location("rigwarp.files.rig_lock_of_windows", rig_lock.__file__)
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, spec.name, module)  # dataclasses look there
        spec.loader.exec_module(module)
        return module

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    for name in ("pread", "pwrite"):  # which Windows has not
        monkeypatch.delattr(os, name)
    first, second = loaded(), loaded()
    with (
        first.rig_locked(tmp_path, "scan"),
        pytest.raises(InputError, match=rf"process {os.getpid()} \(scan, since"),
        second.rig_locked(tmp_path, "fit"),
    ):
        pass
    held.clear()  # as the system does when a file is closed
    with second.rig_locked(tmp_path, "fit"):
        pass


def test_tidying_asks_and_removes_only_what_is_left_over(good_rig, tmp_path, capsys):
    import shutil

    rig = tmp_path / "rig"
    shutil.copytree(good_rig, rig)
    before = {path for path in rig.rglob("*") if path.is_file()}
    (rig / "scans" / "20260101T000000Z" / "frames").mkdir(parents=True)
    (rig / "results" / ".fit.json.1234.part").write_bytes(b"half")
    (rig / ".exported.1234.part.old").mkdir()
    assert len(leftovers(rig)) == 3
    assert main(["check", str(rig), "--tidy"]) == 2  # nobody is there to say yes
    assert "add --yes" in capsys.readouterr().err
    assert len(leftovers(rig)) == 3
    assert main(["check", str(rig), "--tidy", "--yes"]) == 0
    assert {path for path in rig.rglob("*") if path.is_file()} - {rig / ".rigwarp.lock"} == before - {
        rig / ".rigwarp.lock"
    }


def test_an_export_is_put_back_where_names_cannot_be_exchanged(tmp_path, monkeypatch):
    """Other systems than Linux: killed between two renames, the next export begins by giving the name back."""
    monkeypatch.setattr(export_folder, "exchange", lambda *_: False)
    path = tmp_path / "out"
    with new_export(path, {"n": 1}):
        pass
    with new_export(path, {"n": 2}, replace=True):
        pass
    assert json.loads((path / "export.json").read_text())["n"] == 2
    path.rename(tmp_path / f".out.12345678.part{export_folder._ASIDE_ENDING}")  # killed there
    with pytest.raises(InputError, match="--replace"), new_export(path, {"n": 3}):
        pass
    assert json.loads((path / "export.json").read_text())["n"] == 2


@pytest.mark.parametrize("word", ["a\nExecStartPre=/bin/evil", "a\rb", "a\0b"])
def test_no_name_becomes_a_line_of_the_service_file(word):
    with pytest.raises(InputError, match="systemd unit cannot hold"):
        service_text(["rig", "--scene", word], folder=Path("/home"))
    with pytest.raises(InputError, match="systemd unit cannot hold"):
        service_text(["rig"], folder=Path("/home") / word)
    with pytest.raises(InputError, match="systemd unit cannot hold"):
        service_text(["rig"], folder=Path("/home/back\\slash"))
