"""Whatever is shown next or sent, the frame loop waits for none of it, and the light does not flash by itself."""

import socket
import threading
import time
from collections import deque

import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.errors import UsageError
from rigwarp.jobs.play import opened_show
from rigwarp.jobs.play_options import PlayOptions
from rigwarp.jobs.progress import SILENT
from rigwarp.live.operate import remote as remote_module
from rigwarp.live.operate.flashes import CHANGES_PER_SECOND, FlashLimit
from rigwarp.live.operate.keeper import WarpKeeper
from rigwarp.live.operate.remote import Command, Remote
from rigwarp.live.render.sampling import Sampler
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources import opening
from rigwarp.live.sources.source import StillSource
from rigwarp.prewarp import Prewarp

HANGS_S = 100.0
"""What hangs here hangs until the test lets it go on; longer than that only in a test that fails."""


def tiny_warp():
    v, u = np.mgrid[:8, :8].astype(float)
    prewarp = Prewarp(
        projector_resolution=(8, 8),
        content_pixels=(8, 8),
        vertices_px=np.zeros((0, 2)),
        content_px=np.zeros((0, 2)),
        triangles=np.zeros((0, 3), np.int32),
        triangle_zone=np.zeros(0, np.int16),
        zone=np.zeros((8, 8), np.int16),
        gain=np.ones((8, 8), np.float32),
        transfer=2.2,
        mesh_error_px=0.0,
        canvas_px=np.stack([u, v], axis=-1).astype(np.float32),
    )
    return warp_of(prewarp)


def still(side):
    return StillSource(np.full((side, side, 3), 200, np.uint8))


class Clinging(StillSource):
    """Takes ages to close, as a silent stream does."""

    def __init__(self, release):
        super().__init__(np.full((4, 4, 3), 9, np.uint8))
        self._release, self.closed = release, False

    def close(self):
        self._release.wait(HANGS_S)
        self.closed = True


class Sent:
    """A remote whose commands the test hands over itself."""

    wants_something = False

    def __init__(self):
        self.next = []

    def commands(self):
        found, self.next = self.next, []
        return found

    def close(self):
        """Nothing to free."""


def until(found, seconds=10.0):
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.01)
    return result


def command(name, *values):
    return Command(name=name, values=values, sender=("127.0.0.1", 1))


def test_a_name_that_hangs_and_a_source_that_clings_hold_nothing_up():
    release, sent, came_up = threading.Event(), Sent(), []

    def opened(name):
        if name == "hangs":
            release.wait(HANGS_S)
            came_up.append(name)
        return still(5)

    counts = Counts()
    session = Session(tiny_warp(), Clinging(release), remote=sent, open_named=opened, counts=counts)
    try:
        for number in range(opening._MOST_AT_ONCE):
            sent.next = [command("show", "hangs")]
            session.picture(float(number))
            assert came_up == []
        sent.next = [command("show", "one too many")]
        session.picture(10.0)
        assert counts.refused == 1
        release.set()  # those that were given up end, and are closed
        assert until(lambda: (session.picture(11.0).shape[0], session.picture(11.0).shape[0])[0] == 5)
    finally:
        release.set()
        session.close()


def test_leaving_a_source_that_clings_takes_no_time():
    release, sent = threading.Event(), Sent()
    clinging = Clinging(release)
    session = Session(tiny_warp(), clinging, remote=sent, open_named=lambda name: still(5))
    try:
        sent.next = [command("show", "next")]
        assert until(lambda: session.picture(session.run_s + 1.0).shape[0] == 5)
        assert not clinging.closed
    finally:
        release.set()
        session.close()


def test_positions_for_a_picture_of_another_size_are_looked_up_beside_the_frame_loop(monkeypatch):
    """The picture before stays until then; the frame loop itself looks nothing up."""
    where = deque()
    looked_up = Sampler.samples

    def noted(sampler):
        where.append(threading.current_thread().name)
        return looked_up(sampler)

    monkeypatch.setattr(Sampler, "samples", noted)
    warp, sent = tiny_warp(), Sent()
    warp.kept_samples((4, 4))
    keeper = WarpKeeper(warp)
    keeper.start()
    session = Session(warp, still(4), keeper=keeper, remote=sent, open_named=lambda name: still(6))
    where.clear()
    assert session.picture(0.0).shape == (4, 4, 3)
    sent.next = [command("show", "larger")]
    assert until(lambda: session.picture(session.run_s + 0.01).shape == (6, 6, 3))
    assert list(where) == ["rigwarp-keeper"]
    assert session.warp.is_ready_for((6, 6))
    session.close()


def test_a_flood_of_datagrams_is_left_out_and_the_next_command_understood(monkeypatch):
    counts = Counts()
    remote = Remote(0, counts=counts)
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            target, most = ("127.0.0.1", remote.port), 0
            for _ in range(400):
                sender.sendto(b"\x01" * 60_000, target)
                most = max(most, sum(len(data) for data, _ in list(remote._packets)))
            assert most <= remote_module._MOST_BYTES + 65_536

            def through():
                sender.sendto(b"/rigwarp/go\0,\0\0\0", target)
                time.sleep(0.05)
                return [found.name for found in remote.commands()]

            assert "go" in until(through)
    finally:
        remote.close()


def in_any_second(times):
    return max(sum(1 for other in times if 0.0 <= other - start < 1.0) for start in times)


def test_dark_by_remote_flashes_three_times_a_second_at_most():
    """Sixty commands in five seconds: by WCAG 2.2 (2.3.1) a flash is a pair of opposing changes."""
    for fast in (False, True):
        sent = Sent()
        session = Session(tiny_warp(), still(4), remote=sent, fast=fast)
        changes, before = [], True
        for number in range(360):
            if number % 5 == 0:
                sent.next = [command("dark", float(number // 5 % 2))]
            light = bool(session.picture(number / 60).any())
            if light != before:
                changes.append(number / 60)
            before = light
        session.close()
        assert len(changes) > 20
        assert (in_any_second(changes) <= CHANGES_PER_SECOND) is not fast


def test_faders_pass_and_flicker_does_not():
    limit = FlashLimit()
    assert all(limit.passes(level, level / 50) for level in np.linspace(0.0, 1.0, 50))  # a second of fading in
    shown, turned = 1.0, []
    for number in range(120):
        level, now = float(number % 2), 10 + number / 60
        if limit.passes(level, now) and level != shown:
            shown = level
            turned.append(now)
    assert len(turned) > CHANGES_PER_SECOND
    assert in_any_second(turned) <= CHANGES_PER_SECOND
    late = [now + 0.1 * (number % 7 == 0) for number, now in enumerate(turned)]  # seen a tenth of a second later
    assert in_any_second(late) <= CHANGES_PER_SECOND


def test_sources_follow_each_other_no_faster():
    sent = Sent()
    session = Session(tiny_warp(), still(4), remote=sent, open_named=lambda name: still(5 + len(name) % 2))
    taken, before = [], session.picture(0.0)
    for number in range(90):
        sent.next = [command("show", "x" * number)]
        session.picture(1 + number / 30)
        if (opening := session._doorman._opening) is not None:
            opening[1].result(timeout=20.0)  # however busy this machine is
        now = session.picture(1 + number / 30)
        if now is not before:
            taken.append(1 + number / 30)
        before = now
    session.close()
    assert len(taken) > 3
    assert in_any_second(taken) <= CHANGES_PER_SECOND


def test_a_short_dwell_has_to_be_asked_for(tmp_path, capsys):
    assert main(["new", str(tmp_path / "rig")]) == 0
    from rigwarp.files import open_rig

    folder = open_rig(tmp_path / "rig")
    with pytest.raises(UsageError, match="--fast"), opened_show(SILENT, folder, PlayOptions(name="a", dwell_s=0.05)):
        pass
