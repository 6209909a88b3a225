"""The page's server: each request meets the guard first; then files of ours, sockets, health, documents."""

import asyncio
import json
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from socket import socket
from typing import Any, Final

from tornado import httpserver, ioloop, web, websocket

import rigwarp
from rigwarp.page.guard import (
    MESSAGE_BYTES,
    Places,
    Rate,
    WrongKeys,
    host_allowed,
    origin_allowed,
)
from rigwarp.page.helper import ask_helper
from rigwarp.page.hub import Hub
from rigwarp.page.messages import NoMessage, parse_message
from rigwarp.talk.keys import Role
from rigwarp.talk.metrics import TYPE, metrics_text

_KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'{sockets}; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_FIRST_S, _PING_S = 5.0, 10
_HEADER_BYTES, _BODY_BYTES = 16384, 1024
_SLOW_S: Final = 10.0
_MOST_CONNECTIONS: Final = 64
_WRONG: Final = 1008
"""WebSocket close code: policy violation (RFC 6455)."""
_BUSY: Final = 1013
_STILL_S: Final = 10.0


@dataclass
class Site:
    """What the handlers share."""

    hub: Hub
    places: Places
    root: Path | None
    files: Mapping[str, tuple[bytes, str]]
    wrong: WrongKeys = field(default_factory=WrongKeys)
    sockets: "set[Socket]" = field(default_factory=set)
    shown: int = -1
    shown_s: float = -1e9

    def look_after(self) -> None:
        """Called twice a second: who has a key that was revoked leaves."""
        keys = self.hub.keys
        for one in list(self.sockets):
            if one.key and keys.role_of(one.key) is None:
                one.turn_out("key")
        shown = self.hub.state.get("shown")
        if isinstance(shown, int) and shown != self.shown:
            self.shown, self.shown_s = shown, time.monotonic()
        self.hub.look_after()

    @property
    def flipping(self) -> bool:
        """True while frames were shown within the last ten seconds."""
        return time.monotonic() - self.shown_s < _STILL_S


def static_files() -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, whole: no request ever names a path."""
    folder = resources.files("rigwarp.page") / "static"
    found = {one.name: one for one in folder.iterdir()}
    return {
        name: (one.read_bytes(), _KINDS[Path(name).suffix])
        for name, one in found.items()
        if Path(name).suffix in _KINDS
    }


class Guarded(web.RequestHandler):
    """Refuses what does not belong here before anything is done."""

    needs_origin = False

    def initialize(self, site: Site) -> None:
        """Called by tornado."""
        self.site = site

    def prepare(self) -> None:
        """The checks, in order: host, method, origin."""
        if not host_allowed(self.request.headers.get("Host"), self.site.places):
            raise web.HTTPError(421)
        if self.request.method not in ("GET", "HEAD"):
            raise web.HTTPError(405)
        origin = self.request.headers.get("Origin")
        if origin is not None and not origin_allowed(origin, self.site.places):
            raise web.HTTPError(403)
        if origin is None and self.needs_origin and self.bearer_role() is None:
            raise web.HTTPError(403)

    def bearer_role(self) -> Role | None:
        """What the key of a program of the user's own allows; 429 after too many wrong ones."""
        scheme, _, key = self.request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            return None
        address, now = self.request.remote_ip or "", time.monotonic()
        if not self.site.wrong.heard(address, now):
            raise web.HTTPError(429)
        role = self.site.hub.keys.role_of(key.strip())
        if role is None:
            self.site.wrong.note(address, now)
        return role

    def set_default_headers(self) -> None:
        """On every answer, refusals too."""
        host = self.request.headers.get("Host", "")
        site: Site = self.application.settings["site"]
        sockets = f" ws://{host} wss://{host}" if host_allowed(host, site.places) else ""
        self.set_header("Content-Security-Policy", _POLICY.format(sockets=sockets))
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Referrer-Policy", "no-referrer")
        self.set_header("Cache-Control", "no-store")
        self.set_header("Cross-Origin-Resource-Policy", "same-origin")
        self.clear_header("Server")

    def write_error(self, status_code: int, **_kwargs: Any) -> None:
        """A number, and nothing else."""
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(f"{status_code}\n")

    def log_exception(self, *_: Any) -> None:
        """Nothing of a request is written anywhere."""

    def compute_etag(self) -> None:
        """None: nothing is kept."""


class Files(Guarded):
    """The page itself."""

    def get(self, name: str = "") -> None:
        """A file of ours."""
        found = self.site.files.get(name or "index.html")
        if found is None:
            raise web.HTTPError(404)
        self.set_header("Content-Type", found[1])
        self.finish(found[0])

    head = get


class Nothing(Guarded):
    """Everything else."""

    def get(self, *_: str) -> None:
        """There is nothing."""
        raise web.HTTPError(404)

    head = get


class Health(Guarded):
    """Alive and ready, without a key and without a detail; figures for a monitoring system."""

    def get(self, what: str) -> None:
        """One of the three."""
        site, state = self.site, self.site.hub.state
        if what == "metrics":
            self.set_header("Content-Type", TYPE)
            self.finish(_metrics(site))
            return
        well = site.flipping and site.hub.fresh
        if what == "readyz":
            well = well and bool(state.get("source"))
        self.set_status(200 if well else 503)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("ok\n" if well else "no\n")

    head = get


class State(Guarded):
    """How things are, for programs that have a key."""

    def get(self) -> None:
        """One JSON object."""
        role = self.bearer_role()
        if role is None:
            raise web.HTTPError(401)
        hub = self.site.hub
        self.set_header("Content-Type", "application/json")
        self.finish(
            json.dumps(
                {
                    "name": hub.name,
                    "role": role,
                    "state": hub.state,
                    "fresh": hub.fresh,
                    "results": [one for one in hub.results if one["current"]],
                }
            )
        )


class Document(Guarded):
    """A report or a file of a result, for whoever holds a ticket that opens once."""

    async def get(self, ticket: str) -> None:
        """The document; the report has a policy of its own and no access to the page."""
        found = self.site.hub.document(ticket)
        if found is None:
            raise web.HTTPError(404)
        result, what = found
        request = {"rig": str(self.site.root), "job": "document", "result": result, "what": what}
        made, data = await asyncio.to_thread(ask_helper, request)
        if "why" in made:
            self.site.hub.note(str(made["why"]), "WARNING")
            raise web.HTTPError(404)
        self.set_header("Content-Type", made["kind"])
        if made["attached"]:
            self.set_header("Content-Disposition", f'attachment; filename="{made["name"]}"')
        else:
            policy = "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'"
            self.set_header("Content-Security-Policy", policy)
        self.finish(data)


class Socket(Guarded, websocket.WebSocketHandler):
    """One browser."""

    needs_origin = True

    def initialize(self, site: Site) -> None:
        """Called by tornado."""
        super().initialize(site)
        self.role: Role = "view"
        self.key = ""
        self._inside = self._out = False
        self._rate = Rate()
        self._showing: asyncio.Future[None] | None = None

    def prepare(self) -> None:
        """As everywhere; and whoever has tried too many keys is not heard."""
        super().prepare()
        if not self.site.wrong.heard(self.request.remote_ip or "", time.monotonic()):
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
        if self._writable:
            _forget(self.write_message(json.dumps(message, allow_nan=False)))

    def show(self, picture: bytes) -> None:
        """Send a picture, unless the one before is still on its way: a slow tablet sees fewer, not later ones."""
        if not self._writable or (self._showing is not None and not self._showing.done()):
            return
        self._showing = self.write_message(picture, binary=True)
        _forget(self._showing)

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


class _Server(httpserver.HTTPServer):
    """Not more connections at once than anybody needs."""

    def handle_stream(self, stream: Any, address: Any) -> None:
        """Called by tornado for each connection."""
        if len(self._connections) >= _MOST_CONNECTIONS:
            stream.close()
            return
        super().handle_stream(stream, address)


def application(site: Site) -> web.Application:
    """The routes."""
    shared = {"site": site}
    return web.Application(
        [
            (r"/(|index\.html)", Files, shared),
            (r"/static/([a-z_.]{1,40})", Files, shared),
            (r"/link", Socket, shared),
            (r"/(healthz|readyz|metrics)", Health, shared),
            (r"/state", State, shared),
            (r"/document/([A-Za-z0-9_-]{22})", Document, shared),
            (r"/(.*)", Nothing, shared),
        ],
        site=site,
        log_function=lambda handler: None,
        websocket_ping_interval=_PING_S,
        websocket_ping_timeout=_PING_S,
        websocket_max_message_size=MESSAGE_BYTES,
        default_handler_class=Nothing,
        default_handler_args=shared,
    )


def serve_at(site: Site, sockets: Iterable[socket]) -> httpserver.HTTPServer:
    """Serve at sockets that listen."""
    server = _Server(
        application(site),
        max_header_size=_HEADER_BYTES,
        max_body_size=_BODY_BYTES,
        max_buffer_size=4 * MESSAGE_BYTES,
        idle_connection_timeout=_SLOW_S,
        body_timeout=_SLOW_S,
    )
    server.add_sockets(list(sockets))
    return server


def _metrics(site: Site) -> str:
    hub = site.hub
    checked = next((one for one in hub.results if one["current"]), None)
    return metrics_text(
        hub.state,
        up=site.flipping and hub.fresh,
        version=rigwarp.__version__,
        memory_mib=hub.state.get("memory_mib"),
        p95_mm=checked["p95_mm"] if checked else None,
        checked_unix_s=checked["checked_unix_s"] if checked else None,
    )


def _forget(future: "asyncio.Future[None]") -> None:
    """Whether a message arrived is told by the connection's end, not by an exception that nobody waits for."""
    future.add_done_callback(lambda done: done.cancelled() or done.exception())
