"""Sign of life, log, memory bound, service file."""

import json
import logging
import socket
import subprocess
from pathlib import Path
from shutil import which

import pytest

from rigwarp.errors import InputError
from rigwarp.live.run import unattended
from rigwarp.live.run.statistics import Counts, Pacing
from rigwarp.live.run.unattended import BEAT_S, Heartbeat, notify_service, service_text, start_log


def test_the_heart_beats_only_while_frames_are_shown(tmp_path):
    now, path = [0.0], tmp_path / "heartbeat.json"
    pacing = Pacing(counts=Counts())
    heart = Heartbeat(pacing, path=path, clock=lambda: now[0], wall=lambda: 1000.0 + now[0])

    def beat_after(seconds, shown):
        now[0] += seconds
        pacing.counts.shown += shown
        heart.beat()
        return json.loads(path.read_text())["unix_s"]

    assert beat_after(0.0, 1) == 1000.0
    assert beat_after(1.0, 60) == 1000.0  # too soon
    assert beat_after(BEAT_S, 300) == 1000.0 + 1.0 + BEAT_S
    assert beat_after(BEAT_S, 0) == 1000.0 + 1.0 + BEAT_S  # the frame loop hangs
    assert beat_after(BEAT_S, 1) == 1000.0 + 1.0 + 3 * BEAT_S


def test_too_much_memory_is_noticed(monkeypatch, caplog):
    heart = Heartbeat(Pacing(counts=Counts()), memory_limit_mib=500.0)
    monkeypatch.setattr(unattended, "resident_mib", lambda: 499.0)
    heart.beat()
    assert not heart.too_large
    heart._last_s -= BEAT_S
    monkeypatch.setattr(unattended, "resident_mib", lambda: 501.0)
    heart.beat()
    assert heart.too_large
    assert "501 MiB" in caplog.text


def test_a_full_disk_does_not_end_the_show(tmp_path):
    heart = Heartbeat(Pacing(counts=Counts(shown=1)), path=tmp_path / "no such folder" / "heartbeat.json")
    heart.beat()


def test_the_log_is_bounded(tmp_path):
    handler = start_log(tmp_path / "play.log")
    try:
        handler.maxBytes = 2000
        for number in range(500):
            logging.getLogger("rigwarp.live.test").warning("line %d of a long night", number)
    finally:
        logging.getLogger("rigwarp").removeHandler(handler)
        handler.close()
    files = list(tmp_path.iterdir())
    assert len(files) == 6
    assert all(file.stat().st_size <= 2000 for file in files)
    assert "line 499" in (tmp_path / "play.log").read_text()
    with pytest.raises(InputError, match="cannot be written"):
        start_log(tmp_path / "none" / "play.log")


def test_systemd_is_told(tmp_path, monkeypatch):
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(path)
        monkeypatch.setenv("NOTIFY_SOCKET", path)
        notify_service("READY=1")
        assert listener.recv(100) == b"READY=1"
    notify_service("READY=1")  # nobody listens any more: a log line, no exception


def test_the_service_file(tmp_path):
    words = ["/home/table/my rig", "100%.mp4", "back\\slash", "--display", "1"]
    text = service_text(words, folder=Path("/home/table/my 100% scenes"), memory_limit_mib=2000)
    assert "'/home/table/my rig' 100%%.mp4 'back\\\\slash' --display 1" in text
    assert "WorkingDirectory=/home/table/my 100%% scenes\n" in text
    assert "MemoryMax=2000M" in text
    assert "Restart=always" in text
    if which("systemd-analyze"):  # the judge of such files, where there is one
        path = tmp_path / "table.service"
        path.write_text(text)
        done = subprocess.run(
            ["systemd-analyze", "--user", "verify", path], capture_output=True, text=True, timeout=30, check=False
        )
        assert "table.service" not in done.stderr or "Unknown" not in done.stderr
