"""Requests: each meets the guard first; then files of ours, health, documents. And what all handlers share."""

import asyncio
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tornado import web

import rigwarp
from rigwarp.page.guard import Places, WrongKeys, host_allowed, origin_allowed
from rigwarp.page.hub import Hub
from rigwarp.page.running import ask_job
from rigwarp.talk.keys import Role
from rigwarp.talk.metrics import TYPE, metrics_text, notify_service

if TYPE_CHECKING:
    from rigwarp.page.sockets import Socket

_KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
_STILL_S: Final = 10.0
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'{sockets}; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


@dataclass
class Site:
    """What the handlers share; `told` is what systemd was told last, None: it is told by the player."""

    hub: Hub
    places: Places
    root: Path | None
    files: Mapping[str, tuple[bytes, str]]
    wrong: WrongKeys = field(default_factory=WrongKeys)
    sockets: "set[Socket]" = field(default_factory=set)
    shown: int = -1
    shown_s: float = -1e9
    told: str | None = None

    def look_after(self) -> None:
        """Called twice a second: who has a key that was revoked leaves, and systemd is told how things are."""
        keys = self.hub.keys
        for one in list(self.sockets):
            if one.key and keys.role_of(one.key) is None:
                one.turn_out("key")
        shown = self.hub.state.get("shown")
        if isinstance(shown, int) and shown != self.shown:
            self.shown, self.shown_s = shown, time.monotonic()
        self.hub.look_after()
        if self.told is not None and self.told != self.hub.in_a_line:
            self.told = self.hub.in_a_line
            notify_service(f"STATUS={self.told}")

    @property
    def flipping(self) -> bool:
        """True while frames were shown within the last ten seconds."""
        return time.monotonic() - self.shown_s < _STILL_S


def static_files() -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, whole: no request ever names a path."""
    folder = resources.files("rigwarp.page") / "static"
    found = [(one, Path(one.name).suffix) for one in folder.iterdir()]
    return {one.name: (one.read_bytes(), _KINDS[kind]) for one, kind in found if kind in _KINDS}


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
        current = [one for one in hub.results if one["current"]]
        self.finish(
            json.dumps({"name": hub.name, "role": role, "state": hub.state, "fresh": hub.fresh, "results": current})
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
        made, data = await asyncio.to_thread(ask_job, request)
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
