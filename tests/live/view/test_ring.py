"""Pictures in shared memory: whole or not at all, whoever dies."""

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from rigwarp.errors import DeviceError, InputError
from rigwarp.live.view.ring import FrameRing, RingReader, ring_path

READS = int(os.environ.get("RIGWARP_RING_READS", "400"))  # the target is a million
PAUSE_S = 0.0005 if READS <= 400 else 0.0  # between pictures: CI has better things to do
READING = Path(__file__).parents[2] / "support" / "ring_reading.py"
SHAPE = (120, 160, 3)


@pytest.fixture
def name(tmp_path):
    return str(tmp_path / "pictures.ring")


def picture(number):
    return np.full(SHAPE, number % 256, np.uint8)


def test_reader_gets_the_newest_picture_with_its_age_and_what_it_shows(name):
    ring = FrameRing(name, SHAPE, about={"mm_per_pixel": 0.5})
    reader = RingReader(name)
    assert reader.newest() is None
    assert reader.about == {"mm_per_pixel": 0.5}
    captured_s = time.monotonic() - 0.25
    for number in (1, 2, 3, 4, 5):
        assert ring.show(picture(number), captured_s) == number
    shared = reader.newest()
    assert (shared.number, shared.picture.shape, int(shared.picture[0, 0, 0])) == (5, SHAPE, 5)
    assert shared.captured_s == pytest.approx(captured_s, abs=1e-8)
    assert shared.age_s >= 0.25
    assert reader.newest(after=5) is None
    ring.show(picture(6), captured_s)
    assert reader.wait(after=5).number == 6
    assert int(shared.picture[0, 0, 0]) == 5, "the reader's copy is its own"
    assert not reader.ended
    ring.close()
    assert reader.ended


def test_a_picture_that_is_being_written_is_not_read(name):
    ring, reader = FrameRing(name, SHAPE, about={}), None
    ring.show(picture(1), 0.0)
    reader = RingReader(name)
    ring._mapped.sequence[1][()] = 1  # as `show` leaves it while it copies
    assert reader.newest() is None
    ring._mapped.sequence[1][()] = 2
    assert reader.newest().number == 1
    ring.close()


def test_layout_is_as_described_for_programs_in_other_languages(name):
    ring = FrameRing(name, (2, 3), about={"a": 1})
    ring.show(np.arange(6, dtype=np.uint8).reshape(2, 3), 1.5)
    data = Path(name).read_bytes()
    words = np.frombuffer(data, "<u4", 6, 8)
    assert data[:8] == b"RIGVIEW1"
    assert list(words) == [4096, 3, 2, 3, 1, 1]
    assert data[60 : 60 + int(np.frombuffer(data, "<u4", 1, 56)[0])] == b'{"a": 1}'
    step, newest, ended = (int(n) for n in np.frombuffer(data, "<u8", 3, 32))
    assert (newest, ended) == (1, 0)
    slot = 4096 + step * (newest % 3)
    assert int(np.frombuffer(data, "<u8", 1, slot)[0]) == 2
    assert int(np.frombuffer(data, "<i8", 1, slot + 8)[0]) == 1_500_000_000
    assert data[slot + 64 : slot + 70] == bytes(range(6))
    ring.close()


def test_no_picture_is_torn_while_readers_are_killed(name):
    """READS whole pictures in one process while others are killed at random moments; the writer never stops."""
    ring, stop, written = FrameRing(name, SHAPE, about={}), threading.Event(), [0]

    def write_on():
        while not stop.is_set():
            written[0] = ring.show(picture(written[0] + 1), time.monotonic())
            time.sleep(PAUSE_S)

    writer = threading.Thread(target=write_on)
    writer.start()
    moments, killed = np.random.default_rng(5), 0
    steady = _reading(name, READS)
    try:
        while killed < 2 or (READS > 400 and steady.poll() is None):
            victim = _reading(name, 10**9)
            victim.stdout.readline()
            time.sleep(moments.uniform(0.0, 0.05))
            victim.send_signal(signal.SIGKILL)
            before = written[0]
            assert victim.wait(20) == -signal.SIGKILL, victim.stdout.read()
            time.sleep(0.02)
            assert written[0] > before, "the writer goes on"
            victim.stdout.close()
            killed += 1
        steady.wait(600)
        assert steady.stdout.read().split() == ["reading", str(READS)]
        assert steady.returncode == 0
    finally:
        stop.set()
        writer.join()
        steady.kill()
        steady.wait()
        steady.stdout.close()
        ring.close()


def _reading(name, reads):
    return subprocess.Popen([sys.executable, str(READING), name, str(reads)], stdout=subprocess.PIPE, text=True)


def test_reader_follows_a_writer_that_is_started_again(name):
    first = FrameRing(name, SHAPE, about={"run": 1})
    first.show(picture(9), 0.0)
    reader = RingReader(name)
    assert reader.newest().number == 1
    first.close()
    second = FrameRing(name, (10, 20), about={"run": 2})
    second.show(np.full((10, 20), 7, np.uint8), 0.0)
    shared = reader.wait(after=1, timeout_s=5.0)
    assert (shared.number, shared.picture.shape, reader.about) == (1, (10, 20), {"run": 2})
    second.close()
    assert reader.wait(after=1, timeout_s=0.3) is None


def test_a_name_has_one_writer_and_a_killed_one_leaves_it_free(name):
    code = (
        "import sys, time; from rigwarp.live.view.ring import FrameRing; "
        f"ring = FrameRing({name!r}, (4, 4), about={{}}); print('there', flush=True); time.sleep(60)"
    )
    other = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert other.stdout.readline() == "there\n"
    with pytest.raises(DeviceError, match="another player shares"):
        FrameRing(name, SHAPE, about={})
    other.kill()
    other.wait()
    other.stdout.close()
    ring = FrameRing(name, SHAPE, about={})
    assert ring.show(picture(1), 0.0) == 1
    ring.close()
    assert not Path(name).exists()


def test_missing_foreign_and_cut_rings_are_refused_in_one_line(name, tmp_path):
    with pytest.raises(DeviceError, match="nobody shares pictures"):
        RingReader(name)
    FrameRing(name, SHAPE, about={}).show(picture(1), 0.0)
    data = Path(name).read_bytes()
    for wrong in (b"", b"something else" * 1000, data[:4096], b"\xff" * 8192, data[:16] + b"\xff" * 12 + data[28:]):
        (tmp_path / "wrong.ring").write_bytes(wrong)
        with pytest.raises(DeviceError) as refused:
            RingReader(str(tmp_path / "wrong.ring"))
        assert "\n" not in str(refused.value)


def test_no_other_file_is_replaced_and_a_full_memory_leaves_nothing_behind(name, tmp_path, monkeypatch):
    kept = tmp_path / "notes.txt"
    kept.write_text("not to be lost")
    with pytest.raises(InputError, match="no ring of pictures"):
        FrameRing(str(kept), SHAPE, about={})
    assert kept.read_text() == "not to be lost"

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(DeviceError, match="No space left"):
        FrameRing(name, SHAPE, about={})
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_names_are_plain_words_or_paths():
    assert ring_path("table").name == "rigwarp-table.ring"
    assert ring_path("./here.ring") == Path("here.ring")
    for name in ("", "a b", ".hidden", "x" * 65):
        with pytest.raises(InputError, match="expected letters"):
            ring_path(name)
