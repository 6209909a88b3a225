"""Sign of life, log, memory bound, service file."""

import functools
import json
import logging
import socket
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from shutil import which

import bent_rig
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.errors import InputError
from rigwarp.files.records import HeartbeatRecord
from rigwarp.jobs.play_log import _LastWord
from rigwarp.live.operate.operator import Input, Operator
from rigwarp.live.operate.overlay import with_overlay
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run import unattended
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts, Pacing
from rigwarp.live.run.unattended import BEAT_S, Heartbeat, open_log, service_text
from rigwarp.live.sources.source import StillSource
from rigwarp.rig import Content
from rigwarp.talk.metrics import notify_service

CONTENT = Content(shape="rectangle", size_mm=(200.0, 150.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(64, 48))


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


def test_systemd_is_told_what_goes_on_in_a_line(monkeypatch):
    """`systemctl status` shows the last STATUS= (sd_notify(3)): one line, whatever a message has in it."""
    told, about = [], {"source": "clip.mp4"}
    monkeypatch.setattr(unattended, "notify_service", told.append)
    pacing = Pacing(counts=Counts(shown=100, late=2))
    heart = Heartbeat(pacing, about=lambda: about)
    for doing in ("playing", "measuring", "dark"):
        about |= {"doing": doing, "watch": "looked\nat nine: none"}
        heart._last_s -= BEAT_S
        pacing.counts.shown += 1
        heart.beat()
    assert told == [
        "WATCHDOG=1\nSTATUS=playing clip.mp4, 2 of 101 frames late. looked at nine: none",
        "WATCHDOG=1\nSTATUS=measuring: clip.mp4, 2 of 102 frames late. looked at nine: none",
        "WATCHDOG=1\nSTATUS=dark: clip.mp4, 2 of 103 frames late. looked at nine: none",
    ]


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
    handler = open_log(tmp_path / "play.log")
    logging.getLogger("rigwarp").addHandler(handler)
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
        open_log(tmp_path / "none" / "play.log")


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


def test_what_the_watch_said_is_in_the_status_the_heartbeat_and_below_the_keys(tmp_path):
    session = Session(
        warp_of(bent_rig.plain_prewarp(size=(64, 48)), CONTENT), StillSource(np.zeros((64, 64, 3), np.uint8))
    )
    heart = Heartbeat(session.pacing, path=tmp_path / "heart.json", about=lambda: {"watch": session.watch_says})
    session.counts.shown = 1
    logger = logging.getLogger("rigwarp.jobs.checks.watch")
    handler = _LastWord(session)
    logger.addHandler(handler)
    try:
        session.handle(Input(kind="key", key="h"))
        before = session.picture(0.0)
        logger.warning("%s: corrected, P95 %.3f mm now", "mirror", 0.21)
        after = session.picture(0.1)
    finally:
        logger.removeHandler(handler)
    heart.beat()
    for told in (session.status()["watch"], json.loads((tmp_path / "heart.json").read_text())["watch"]):
        assert "UTC: mirror: corrected, P95 0.210 mm now" in told
    assert (before != after).any()
    handler.emit(logging.LogRecord("watch", logging.INFO, "", 0, "drift: none", None, None))
    both = session.picture(0.2)  # a later look that found nothing leaves standing what was corrected before
    session.watch_warned = ""
    assert (session.picture(0.3) != both).any()
    session.close()


def test_the_keys_and_what_the_watch_said_stay_on_a_round_table():
    """They had run over its edge, the watch's words first."""
    content = replace(CONTENT, shape="circle", size_mm=(480.0, 480.0), centre_mm=np.zeros(2), pixels=(360, 360))
    notes = ("2026-11-30 02:27 UTC: drift: none; P95 0.013 mm", "2026-11-29 02:27 UTC: mirror: corrected, P95 0.2 mm")
    white = np.full((360, 360, 3), 255, np.uint8)
    drawn = with_overlay(white, content, Operator(), help_shown=True, notes=notes) != white
    v, u = np.nonzero(drawn.any(axis=2))
    assert len(v) > 1000
    assert np.hypot(u - 179.5, v - 179.5).max() < 180.0


def test_the_status_of_a_player_elsewhere_tells_what_its_watch_corrected_and_whether_it_lives(tmp_path, capsys):
    rig = tmp_path / "rig"
    assert main(["new", str(rig)]) == 0
    assert main(["play", str(rig), "--status"]) == 3
    assert "--heartbeat" in capsys.readouterr().err
    session = Session(warp_of(bent_rig.plain_prewarp()), StillSource(np.zeros((4, 4, 3), np.uint8)), name="check:grid")
    handler = _LastWord(session)
    for level, line in ((logging.WARNING, "mirror: corrected, P95 0.210 mm now"), (logging.INFO, "drift: none")):
        handler.emit(logging.LogRecord("watch", level, "", 0, line, None, None))
    session.counts.shown = 7
    for ago_s, code in ((0.0, 0), (3 * 3600.0, 4)):
        wall = functools.partial(lambda ago_s: time.time() - ago_s, ago_s)
        Heartbeat(session.pacing, path=rig / "heartbeat.json", about=session.about, wall=wall).beat()
        assert main(["play", str(rig), "--status", "--json"]) == code
        told = capsys.readouterr()
        status = json.loads(told.out)
        assert (status["shown"], status["source"]) == (7, "check:grid")
        assert "drift: none" in status["watch"]
        assert "UTC: mirror: corrected, P95 0.210 mm now" in status["watch_warned"]
    assert "no sign of life for 3 hours" in told.err
    assert main(["play", str(rig), "--status"]) == 4
    assert "Before, " in capsys.readouterr().out
    session.close()


@pytest.mark.parametrize("when", ["null", "1e300", "-1.0"])
def test_a_heartbeat_without_a_time_is_refused(tmp_path, capsys, when):
    assert main(["new", str(tmp_path / "rig")]) == 0
    path = tmp_path / "rig" / "heartbeat.json"
    HeartbeatRecord(unix_s=12345.0).write(path)
    assert "12345.0" in path.read_text()
    path.write_text(path.read_text().replace("12345.0", when))
    capsys.readouterr()
    assert main(["play", str(tmp_path / "rig"), "--status"]) == 3
    assert "expected seconds since 1970" in capsys.readouterr().err


def test_the_status_names_the_source_from_the_start():
    session = Session(warp_of(bent_rig.plain_prewarp()), StillSource(np.zeros((4, 4, 3), np.uint8)), name="check:grid")
    assert session.status()["source"] == "check:grid"
    session.close()


@pytest.mark.skipif(not sys.platform.startswith("linux") or Path("/dev/video77").exists(), reason="told by Linux only")
def test_a_camera_that_is_not_there_is_one_line(tmp_path, capfd):
    assert main(["new", str(tmp_path / "rig")]) == 0
    assert main(["play", str(tmp_path / "rig"), "camera:77", "--design", "--still", str(tmp_path / "a.png")]) == 4
    said = capfd.readouterr().err.strip()
    assert said.startswith("rigwarp: camera:77: found no such camera")
    assert "\n" not in said
