"""Shows during which something hangs for ever: `python hanging_show.py KIND ...` prints one JSON object.

For each kind: how many frames were drawn after it hung, whether the source asked for next was shown, and what the frame
loop's own thread did that can wait.
"""

import functools
import gc
import json
import logging
import socket
import sys
import threading
import time
from pathlib import Path

import bent_rig
import cv2
import numpy as np

from rigwarp.errors import InputError
from rigwarp.jobs import play_log
from rigwarp.jobs.progress import Silent
from rigwarp.live.operate.keeper import WarpKeeper
from rigwarp.live.operate.page_link import PageLink
from rigwarp.live.operate.remote import Remote
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run import player
from rigwarp.live.run.session import Session
from rigwarp.live.sources import opening, video
from rigwarp.live.sources.source import FolderSource, StillSource
from rigwarp.live.sources.stream import StreamSource
from rigwarp.talk.commands import Command

FRAMES = 50
CAN_WAIT = ("open", "import", "os.", "socket.", "subprocess.", "_thread.start", "time.sleep", "shutil.")
LOOK = WarpKeeper._look
NEXT = StillSource(np.full((6, 6, 3), 77, np.uint8))
hung = threading.Event()
never, may_come_up = threading.Event(), threading.Event()
loop_did: list[str] = []
in_loop = threading.local()


def hang(*_: object) -> None:
    """Never return."""
    hung.set()
    never.wait()


def note(event: str, _args: object = None) -> None:
    if getattr(in_loop, "now", False) and event.startswith(CAN_WAIT):
        loop_did.append(event)


def trap(cls: type, name: str) -> None:
    """Note calls from the loop's thread that wait; at a show's end none waits for long."""
    call = getattr(cls, name)

    @functools.wraps(call)
    def trapped(self, *args, **kwargs):
        if getattr(in_loop, "now", False):
            loop_did.append(f"{cls.__name__}.{name}")
        if name == "join":
            kwargs["timeout"] = 0.1
        return call(self, *args, **kwargs)

    setattr(cls, name, trapped)


class Clinging(StillSource):
    """A source that never closes."""

    close = hang

    def __init__(self) -> None:
        super().__init__(np.full((4, 4, 3), 9, np.uint8))


class HangingReader:
    """A video whose second frame never comes."""

    duration_s = 1.0

    def frames(self, from_s=0.0, *, planes=bool):
        yield 0.0, np.full((4, 4, 3), 9, np.uint8)
        hang()

    def close(self):
        """Nothing to free."""


class Terminal(Silent):
    """One that takes no line."""

    note = hang


def no_such(_: str) -> StillSource:
    raise InputError("nothing of that name")


def second_hangs(path: Path) -> np.ndarray:
    return np.full((4, 4, 3), 9, np.uint8) if path.name == "a" else hang()


OPENS = {
    "open": hang,
    "unwanted": lambda _: may_come_up.wait() and Clinging(),
    "folder": lambda _: FolderSource([Path("a"), Path("b")], second_hangs, (4, 4), dwell_s=1e-3),
    "stream": lambda _: StreamSource("silent", open_stream=hang),
    "video": lambda _: video.VideoSource("hangs.mp4"),
    "log": no_such,
}


class Script:
    """A remote control that asks for what hangs, and once it does, for what comes next."""

    wants_something = False

    def __init__(self, kind: str) -> None:
        self.kind, self.session, self.asked = kind, None, []

    def commands(self) -> list[Command]:
        name = "next" if hung.is_set() or self.kind in ("close", "keeper", "status", "page") else "hangs"
        if name in self.asked:
            if self.kind != "unwanted" or name == "next":
                return []
            self._come_up()
            name = "next"
        self.asked.append(name)
        return [Command(name="show", values=(name,), sender=("127.0.0.1", 1))]

    def _come_up(self) -> None:
        """Let the source come up, right before it is not wanted any more; waiting for it is the test's own."""
        in_loop.now, noted = False, in_loop.now
        may_come_up.set()
        self.session._doorman._opening[1].result()
        in_loop.now = noted

    def close(self) -> None:
        """Nothing to free."""


SAYS_READY = """
import sys, time
print('{"ready": {"port": 1, "plain": "", "code": []}}', flush=True)
time.sleep(1e9)
"""


class AtThePage(Script):
    """Besides, a page whose process reads nothing, and never ends; many wait for what came of their commands."""

    def __init__(self, kind: str) -> None:
        super().__init__(kind)
        self.link = PageLink([sys.executable, "-c", SAYS_READY], {}, sources=())

    def watched(self) -> None:
        self.link.start(self.session)
        for number in range(1, 200):
            self.link._take({"do": "turn", "values": [number], "number": number, "revision": number % 3})
        hung.set()


class AskingForStatus(Script):
    """Besides, a real one whose answers never leave."""

    def __init__(self, kind: str) -> None:
        super().__init__(kind)
        Remote._send = hang
        self.real = Remote(0)
        self.answer = self.real.answer
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for _ in range(20):
                sender.sendto(b"/rigwarp/status\0,\0\0\0", ("127.0.0.1", self.real.port))
        while not self.real._waiting:
            time.sleep(0.01)

    def commands(self) -> list[Command]:
        return [*super().commands(), *self.real.commands()]


def show(kind: str) -> dict[str, object]:
    """The figures of one show."""
    hung.clear()
    may_come_up.clear()
    loop_did.clear()
    warp = warp_of(bent_rig.plain_prewarp(size=(8, 8)))
    WarpKeeper._look = hang if kind == "keeper" else LOOK
    script = {"status": AskingForStatus, "page": AtThePage}.get(kind, Script)(kind)
    opens = {"next": lambda _: NEXT, "hangs": OPENS.get(kind)}
    session = Session(
        warp,
        Clinging() if kind == "close" else StillSource(np.full((4, 4, 3), 9, np.uint8)),
        keeper=WarpKeeper(warp),
        remote=script,
        page=script.link if kind == "page" else None,
        open_named=lambda name: opens[name](name),
        fast=True,
    )
    script.session = session
    if kind == "page":
        script.watched()
    frozen: list[int] = []
    after, needs_next = 0, kind not in ("open", "keeper")

    def opened(window) -> None:
        session._keeper.prepare = window.prepare
        session._keeper.start()

    def framed(_: Session):
        nonlocal after
        frozen.append(gc.get_freeze_count())
        after += hung.is_set()
        in_loop.now = after < FRAMES or (needs_next and session._source is not NEXT)
        return None if in_loop.now else "frames"

    def pause(_: float) -> None:
        """Let the other threads work; a sleep of the test's own."""
        in_loop.now = False
        time.sleep(1e-4)
        in_loop.now = True

    with play_log.logged(Terminal() if kind == "log" else Silent(), None):
        player.play(warp, session, drawing="cpu", on_open=opened, on_frame=framed, pause=pause)
    assert min(frozen) > gc.get_freeze_count()
    return {"frames_after_it_hung": after, "next_was_shown": session._shown is NEXT.at(0.0), "loop_did": loop_did[:]}


if __name__ == "__main__":
    cv2.setNumThreads(1)  # drawing itself waits for its threads
    logging.getLogger("rigwarp").propagate = False
    opening._END_S = play_log._LAST_WORDS_S = 0.1
    video.open_reader = lambda *_: HangingReader()
    sys.addaudithook(note)
    for cls, name in ((threading.Thread, "start"), (threading.Thread, "join"), (threading.Event, "wait")):
        trap(cls, name)
    trap(threading.Condition, "wait")
    print(json.dumps({kind: show(kind) for kind in sys.argv[1:]}))  # noqa: T201 - its result
