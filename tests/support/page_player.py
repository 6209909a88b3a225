"""A player that only talks: it starts the page's process, tells it made-up states, and notes what it is asked to do."""

import asyncio
import json
import subprocess
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from tornado import httpclient, websocket

from rigwarp.files import open_rig
from rigwarp.jobs.page import CHECKS, COMMAND, PageOptions, page_hello
from rigwarp.prewarp import UNCHANGED
from rigwarp.talk.pipes import Talk

QUIET_STATE: dict[str, Any] = {
    "source": "check:grid", "running": True, "dark": False, "brightness": 1.0, "revision": 1, "correctable": True,
    "has_light": True, "undo": 0, "redo": 0, "stands_in": "", "before": False, "run_s": 7200.0, "measuring": False,
    "flips_per_second": 60.0, "shown": 10, "fresh": 5, "repeated": 5, "late": 0, "dropped": 0, "swaps": 0,
    "interludes": 0, "refused": 0,
}  # fmt: skip


class TalkingPlayer:
    """Starts the page for a rig folder and plays the player's part; `asked` are the commands that came."""

    def __init__(self, root: Path, **options: Any) -> None:
        self.root = root
        self.hello = page_hello(open_rig(root), PageOptions(port=0, **options), sources=CHECKS)
        self.keys = self.hello["keys"]
        self.state: dict[str, Any] = {**QUIET_STATE, "correction": asdict(UNCHANGED)}
        self.refuse = ""
        self.silent = False
        self.ahead = 0  # changes of the correction that nobody at the page has heard of yet
        self.asked: list[dict[str, Any]] = []
        self.cameras: list[bool] = []
        self.address: dict[str, Any] = {}
        self.restart(self.hello)

    def restart(self, hello: dict[str, Any]) -> None:
        """Start the process, the first time or again."""
        self._ready, self._over = threading.Event(), threading.Event()
        self.process = subprocess.Popen(COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.talk = Talk(self.process.stdout, self.process.stdin, heard=self._heard, ended=self._ready.set)
        self.talk.say({"hello": hello})
        assert self._ready.wait(30.0)
        self.port = self.address["port"]
        self.origin = f"http://127.0.0.1:{self.port}"
        threading.Thread(target=self._tell, daemon=True).start()

    def close(self) -> None:
        self._over.set()
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()
        self.process.stdin.close()

    def picture(self, colour: int = 90) -> None:
        """A picture of the content."""
        _, data = cv2.imencode(".jpg", np.full((120, 120, 3), colour, np.uint8))
        self.talk.say({"picture": True}, bytes(data))

    def memory_mib(self) -> float:
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * 4096 / 2**20

    def _tell(self) -> None:
        while not self._over.wait(0.1):
            if not self.silent:
                self.state = {**self.state, "shown": self.state["shown"] + 6, "run_s": self.state["run_s"] + 0.1}
                self.talk.say({"state": self.state})

    def _heard(self, message: dict[str, Any], _data: bytes) -> None:
        if "ready" in message:
            self.address = message["ready"]
            self._ready.set()
        elif "camera" in message:
            self.cameras.append(message["camera"])
            self.talk.say(message)
        elif "do" in message:
            self._do(message)

    def _do(self, message: dict[str, Any]) -> None:
        self.asked.append(message)
        name, values = message["do"], message["values"]
        self.state, self.ahead = {**self.state, "revision": self.state["revision"] + self.ahead}, 0
        stale = message.get("revision") not in (None, self.state["revision"])
        changes = self._changes(name, values)
        if not (stale or self.refuse):
            if "correction" in changes:
                changes |= {"revision": self.state["revision"] + 1, "undo": self.state["undo"] + 1}
            self.state = {**self.state, **changes}
        refused = self.refuse or ("changed" if stale else "")
        self.talk.say({"done": message["number"], "refused": refused, "revision": self.state["revision"]})

    def _changes(self, name: str, values: list[Any]) -> dict[str, Any]:
        now = self.state["correction"]
        keys = {"turn": "turn_deg", "scale": "scale", "brightness": "brightness", "black": "black_level"}
        if name in keys:
            more = {"brightness": values[0]} if name == "brightness" else {}
            return {"correction": {**now, keys[name]: values[0]}, **more}
        if name == "shift":
            return {"correction": {**now, "shift_mm": values}}
        if name == "spot":
            drag = {"at_mm": values[:2], "by_mm": values[2:4], "reach_mm": values[4]}
            return {"correction": {**now, "drags": [*now["drags"], drag]}}
        if name == "mask":
            return {"correction": {**now, "masks": [*now["masks"], np.reshape(values, (-1, 2)).tolist()]}}
        if name in ("unmask", "undo", "redo", "reset", "even"):
            return {"correction": asdict(UNCHANGED)}
        if name in ("dark", "before"):
            return {name: bool(values[0])}
        if name == "grid":
            return {"stands_in": "grid" if values[0] else ""}
        return {"source": values[0]} if name == "show" else {"running": name == "go"}


async def browser_socket(player: TalkingPlayer, key: str | None, **headers: str) -> websocket.WebSocketClientConnection:
    """A socket as a browser opens it, with its first message sent."""
    request = httpclient.HTTPRequest(
        f"ws://127.0.0.1:{player.port}/link", headers={"Origin": player.origin, **headers}, request_timeout=10
    )
    socket = await websocket.websocket_connect(request)
    if key is not None:
        await socket.write_message(json.dumps({"key": key}))
    return socket


async def until(socket: websocket.WebSocketClientConnection, name: str, seconds: float = 8.0) -> Any:
    """The next message that has this name."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        message = await asyncio.wait_for(socket.read_message(), seconds)
        if message is None:
            socket.close()
            raise EOFError(f"closed: {socket.close_code} {socket.close_reason}")
        if isinstance(message, str) and name in (found := json.loads(message)):
            return found
    raise TimeoutError(name)


async def with_its_keys(player: TalkingPlayer) -> None:
    """Give back the keys that all tests use, and wait until the page goes by them."""
    player.talk.say({"keys": player.keys})
    for _ in range(20):
        socket = await browser_socket(player, player.keys["operate"])
        try:
            await until(socket, "hello")
        except EOFError:
            await asyncio.sleep(0.2)
        else:
            return await left(socket)
    raise TimeoutError("the page goes by other keys")


async def left(*sockets: websocket.WebSocketClientConnection) -> None:
    """Close them, and wait until the server has heard of it."""
    for socket in sockets:
        socket.close()
    for socket in sockets:
        while await asyncio.wait_for(socket.read_message(), 10.0) is not None:
            pass
