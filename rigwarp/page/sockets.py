"""One browser's socket: its key first, and then messages both ways."""

import asyncio
import json
import time
from collections.abc import Callable
from typing import Any, Final

from tornado import ioloop, web, websocket

from rigwarp.page.guard import MOST_WAITING, Rate, origin_allowed
from rigwarp.page.messages import NoMessage, parse_message
from rigwarp.page.requests import Guarded, Site
from rigwarp.talk.keys import Role

_FIRST_S: Final = 5.0
_MOST_UNSENT: Final = 200
"""Messages that a browser has not taken yet, some 20 s of them: it does not read."""
_WRONG: Final = 1008
"""WebSocket close code: policy violation (RFC 6455)."""
_BUSY: Final = 1013


class Socket(Guarded, websocket.WebSocketHandler):
    """One browser."""

    needs_origin = True

    def initialize(self, site: Site) -> None:
        """Called by tornado."""
        super().initialize(site)
        self.role: Role = "view"
        self.key = ""
        self._inside = self._out = False
        self._unsent = 0
        self._rate = Rate()
        self._showing: asyncio.Future[None] | None = None

    def prepare(self) -> None:
        """As everywhere; and whoever has tried too many keys is not heard."""
        super().prepare()
        address = self.request.remote_ip or ""
        waiting = sum(1 for one in self.site.sockets if not one.key and one.request.remote_ip == address)
        if waiting >= MOST_WAITING or not self.site.wrong.heard(address, time.monotonic()):
            raise web.HTTPError(429)

    def check_origin(self, origin: str) -> bool:
        """Once more, where tornado asks."""
        return origin_allowed(origin, self.site.places)

    def open(self, *_: str, **__: str) -> None:
        """The first message has to come soon, and to be a key."""
        self.set_nodelay(True)
        self.site.sockets.add(self)
        ioloop.IOLoop.current().call_later(_FIRST_S, self._too_late)

    def on_message(self, message: str | bytes) -> None:
        """A message of the browser's."""
        if self._out:
            return  # what still comes until the other side has closed, too
        if not self._rate.allows(time.monotonic()):
            self.turn_out("rate")
            return
        try:
            said = parse_message(message)
        except NoMessage:
            self.turn_out("message")
            return
        if self._inside and said.kind != "key":
            self.site.hub.take(self, said)
        elif said.kind == "key" and not self._inside:
            self._enter(said.what)
        else:
            self.turn_out("key")

    def on_close(self) -> None:
        """The browser has gone."""
        self.site.sockets.discard(self)
        self._leave()

    def turn_out(self, reason: str, code: int = _WRONG) -> None:
        """Close it, and hear nothing of it from now on: a browser of ours closes too, another one may not."""
        self._out = True
        self.close(code, reason)
        self._leave()

    def tell(self, message: dict[str, Any]) -> None:
        """Send a message."""
        if not self._writable or self._out:
            return
        if self._unsent >= _MOST_UNSENT:
            self.turn_out("slow")
            return
        self._unsent += 1
        _forget(self.write_message(json.dumps(message, allow_nan=False)), self._sent)

    def show(self, picture: bytes) -> None:
        """Send a picture, unless the one before is still on its way: a slow tablet sees fewer, not later ones."""
        if not self._writable or (self._showing is not None and not self._showing.done()):
            return
        self._showing = self.write_message(picture, binary=True)
        _forget(self._showing)

    def _sent(self) -> None:
        self._unsent -= 1

    def _enter(self, key: str) -> None:
        address, now = self.request.remote_ip or "", time.monotonic()
        role = self.site.hub.keys.role_of(key) if self.site.wrong.heard(address, now) else None
        if role is None:
            self.site.wrong.note(address, now)
            self.turn_out("key")
            return
        self.role, self.key = role, key
        self._inside = self.site.hub.enter(self)
        if not self._inside:
            self.turn_out("full", _BUSY)

    @property
    def _writable(self) -> bool:
        """Writing to one that closes is an error, and whoever comes next would not be told."""
        return self.ws_connection is not None and not self.ws_connection.is_closing()

    def _leave(self) -> None:
        if self._inside:
            self._inside = False
            self.site.hub.leave(self)

    def _too_late(self) -> None:
        if not self._inside and self._writable:
            self.turn_out("late")


def _forget(future: "asyncio.Future[None]", done: Callable[[], object] = lambda: None) -> None:
    """Whether a message arrived is told by the connection's end, not by an exception that nobody waits for."""
    future.add_done_callback(lambda ended: (ended.cancelled() or ended.exception(), done()))
