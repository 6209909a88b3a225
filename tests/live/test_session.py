"""Time, darkness, other sources and remote commands, without a window."""

import json
import socket
import time
from pathlib import Path

import bent_rig
import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.live.operate.operator import Input
from rigwarp.live.operate.osc import Message, build_message, parse_packet
from rigwarp.live.operate.remote import Remote
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts, Pacing
from rigwarp.live.sources.source import StillSource
from rigwarp.talk.commands import TAKES


class Ruler(StillSource):
    """Remembers the times it was asked for."""

    def __init__(self):
        super().__init__(np.full((10, 10, 3), 200, np.uint8))
        self.times, self.closed = [], False

    def at(self, time_s):
        self.times.append(time_s)
        return super().at(time_s)

    def close(self):
        self.closed = True


def tiny_warp():
    return warp_of(bent_rig.plain_prewarp(size=(8, 8)))


def until(found, seconds=5.0):
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.01)
    return result


def test_time_stands_still_and_jumps():
    ruler = Ruler()
    session = Session(tiny_warp(), ruler)
    session.picture(1.0)
    session.handle(Input(kind="key", key="space"))
    session.picture(2.0)
    session.picture(3.0)
    session.handle(Input(kind="key", key="space"))
    session.picture(4.0)
    session.media.seek(100.0)
    session.picture(4.5)
    assert ruler.times == pytest.approx([1.0, 1.0, 1.0, 2.0, 100.5])
    session.close()
    assert ruler.closed


def test_remote_evening_is_kept_within_bounds():
    remote = Remote(0)
    session = Session(tiny_warp(), Ruler(), remote=remote)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(build_message(Message(address="/rigwarp/even", values=(0.2, 5))), ("127.0.0.1", remote.port))
        assert until(lambda: remote.wants_something)
    session.picture(1.0)
    assert session.status()["even"] == pytest.approx([0.2, 0.9])
    session.close()


def test_dark_and_light_again():
    session = Session(tiny_warp(), Ruler())
    light = session.picture(0.0)
    session.handle(Input(kind="key", key="b"))
    dark = session.picture(0.1)
    assert not dark.any()
    assert session.picture(0.2) is dark
    session.handle(Input(kind="key", key="b"))
    assert session.picture(0.3) is light
    session.close()


def test_remote_commands_reach_everything_and_bad_names_change_nothing(caplog):
    first, second = Ruler(), Ruler()

    def opened(name):
        if name != "second":
            raise InputError(f"{name}: found no such file")
        return second

    counts = Counts()
    remote = Remote(0, counts=counts)
    session = Session(tiny_warp(), first, remote=remote, open_named=opened, counts=counts)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.settimeout(5.0)

        def send(name, *values):
            before = counts.packets
            packet = build_message(Message(address=f"/rigwarp/{name}", values=values))
            sender.sendto(packet, ("127.0.0.1", remote.port))
            assert until(lambda: counts.packets > before)
            time.sleep(0.02)
            return session.picture(session.run_s + 0.1)

        send("show", "nowhere")
        assert until(lambda: send("hold") is not None and counts.refused == 1)
        assert "nowhere" in caplog.text
        assert not first.closed
        send("show", "second")
        assert until(lambda: (session.picture(session.run_s), first.closed)[1])
        send("go")
        send("seek", 30.0)
        assert second.times[-1] == pytest.approx(30.0, abs=0.2)
        assert not send("dark", 1).any()
        assert send("dark", 0).any()
        send("brightness", 7.5)  # beyond full light: full light
        send("black", 0.05)
        send("shift", 3.0, -4.0)
        send("turn", 12.0)
        send("scale", 1.25)
        send("status")
        (answer,) = parse_packet(sender.recv(8192))
        state = json.loads(answer.values[0])
        assert state["source"] == "second"
        assert state["shift_mm"] == [3.0, -4.0]
        assert (state["turn_deg"], state["scale"], state["brightness"]) == (12.0, 1.25, 1.0)
        send("undo")
        assert session.operator.adjustment.scale == 1.0
        send("redo")
        send("reset")
        assert session.operator.adjustment.turn_deg == 0.0
    session.close()
    assert second.closed


def test_pacing_counts_what_a_stopwatch_would():
    """A 10 ms rhythm with one flip 3 periods late and every other picture new."""
    counts = Counts()
    pacing = Pacing(counts=counts)
    now = 0.0
    for number in range(100):
        now += 0.030 if number == 50 else 0.010
        pacing.flipped(now, fresh=number % 2 == 0)
    assert (counts.shown, counts.fresh, counts.repeated, counts.late) == (100, 50, 50, 1)
    assert pacing.period_s == pytest.approx(0.010)
    assert pacing.as_dict()["flips_per_second"] == pytest.approx(100.0)


def test_the_address_space_is_documented_where_it_is_kept():
    from rigwarp.live.operate import remote

    text = Path(remote.__file__).read_text()
    for name in TAKES:
        assert name in text.split('"""')[1]
