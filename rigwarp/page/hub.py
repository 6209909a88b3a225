"""What goes on at the page: who is there, what is asked for, what everybody is told. In one thread, the server's."""

import contextlib
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rigwarp.page.guard import MOST_CLIENTS
from rigwarp.page.messages import Said
from rigwarp.page.running import Running, ask_job
from rigwarp.talk.hosts import without_password
from rigwarp.talk.keys import PageKeys
from rigwarp.talk.pipes import Talk

if TYPE_CHECKING:
    from rigwarp.page.sockets import Socket

_MESSAGES, _TICKETS, _TICKET_S = 40, 16, 60.0
_STALE_S: Final = 1.0
_CAMERA_S: Final = 10.0
"""By then the player has let go of the camera, or does not answer."""
_CONTENT, _CAMERA = b"\0", b"\1"
"""First byte of a picture: what it shows."""
_HELD: Final = {"grid", "before"}
"""Commands that end when whoever gave them is gone."""


@dataclass
class _Seat:
    pictures: bool = True
    held: set[str] = field(default_factory=set)


class Hub:
    """Everything behind the sockets: `name` of the rig, `state` as the player said it last, and what is done.

    Parameters
    ----------
    root : the rig folder; None: a page of several tables, where nothing is done.
    hello : what each browser is told first.
    request : what each job is told, beside its name.
    keys : that open the page, until others are told of.
    later : hands a call over to the server's thread.
    aside : runs a function in a thread of its own and calls another with its result, in the server's.
    """

    def __init__(
        self,
        root: Path | None,
        hello: dict[str, Any],
        request: dict[str, Any],
        keys: PageKeys,
        *,
        later: Callable[..., object],
        aside: Callable[[Callable[[], Any], Callable[[Any], object]], object],
    ) -> None:
        self._root, self._aside = root, aside
        self._sources = {without_password(name): name for name in hello.get("sources", [])}
        self._hello = {**hello, "sources": list(self._sources)}
        self._request = {**request, "rig": str(root)}
        self.link: Talk | None = None
        self.running = Running(later=later, changed=self._tell_job, picture=self._camera, frame=self._frame)
        self._seats: dict[Socket, _Seat] = {}
        self.name = str(hello.get("name", ""))
        self.state: dict[str, Any] = {}
        self._heard_s = -1e9
        self._began_s = time.monotonic()
        self._messages: deque[tuple[float, str, str]] = deque(maxlen=_MESSAGES)
        self._pictures: dict[bytes, bytes] = {}
        self._results: list[dict[str, Any]] | None = None
        self._tables: list[dict[str, Any]] = []
        self._waiting: dict[int, tuple[Socket, int]] = {}
        self._wanted: tuple[float, Socket, Said] | None = None
        self._number = 0
        self._stamp: object = None
        self._tickets: dict[str, tuple[float, str, str]] = {}
        self.keys = keys

    def enter(self, client: "Socket") -> bool:
        """A browser with a key; False when there are too many already."""
        if len(self._seats) >= MOST_CLIENTS:
            return False
        self._seats[client] = _Seat()
        client.tell({"hello": {**self._hello, "role": client.role}})
        client.tell(self._state_message())
        client.tell({"job": self.running.facts()})
        if self._results is not None:
            client.tell({"results": self._results})
        if self._tables:
            self._tell_tables(client)
        for at_s, level, text in self._messages:
            client.tell({"message": text, "level": level, "age_s": round(time.monotonic() - at_s, 1)})
        for kind, data in self._pictures.items():
            client.show(kind + data)
        self._tell_watching()
        return True

    def leave(self, client: "Socket") -> None:
        """It has gone, and what it held down is let go."""
        seat = self._seats.pop(client, None)
        for name in seat.held if seat is not None else ():
            self._command(Said(kind="do", what=name, values=(0.0,)))
        self._tell_watching()

    def take(self, client: "Socket", said: Said) -> None:
        """Do what a browser asks for, or say why not."""
        if said.kind == "pictures":
            self._seats[client].pictures = said.what == "on"
            self._tell_watching()
        elif said.kind == "open" and self._root is not None:
            self._give_ticket(client, said)
        elif client.role != "operate" or self._root is None:
            self._done(client, said.number, "viewing")
        elif said.kind == "do":
            self._do(client, said)
        elif said.kind == "job":
            self._job(client, said)
        elif said.kind == "use":
            self._use(client, said)

    def heard(self, message: dict[str, Any], data: bytes) -> None:
        """What the player says."""
        self._heard_s = time.monotonic()
        if "state" in message:
            self.state = message["state"]
            if "source" in self.state:
                self.state["source"] = without_password(str(self.state["source"]))
            self._tell(self._state_message())
        elif "picture" in message:
            self._show(_CONTENT, data)
        elif "done" in message:
            client, number = self._waiting.pop(message["done"], (None, 0))
            if client in self._seats and client is not None:
                self._done(client, number, str(message["refused"]), message.get("revision"))
        elif "shown" in message or "taken_back" in message:
            self.running.shown(message)
        elif message.get("camera"):
            self._start_wanted()
        elif "keys" in message:
            self.take_keys(PageKeys(**message["keys"]))
        elif "message" in message:
            self.note(str(message["message"]), str(message["level"]), age_s=float(message["age_s"]))

    def take_keys(self, keys: PageKeys | None) -> None:
        """Other keys from now on, where there are any."""
        self.keys = keys or self.keys

    def note(self, text: str, level: str, *, age_s: float = 0.0) -> None:
        """A message for everybody."""
        self._messages.append((time.monotonic() - age_s, level, text))
        self._tell({"message": text, "level": level, "age_s": age_s})

    def take_tables(self, tables: list[dict[str, Any]]) -> None:
        """Several tables, the worst first; whoever may only look gets no address to operate by."""
        self._tables = tables
        for client in list(self._seats):
            self._tell_tables(client)

    def _tell_tables(self, client: "Socket") -> None:
        hidden = "operate" if client.role == "view" else ""
        client.tell({"tables": [{key: one for key, one in row.items() if key != hidden} for row in self._tables]})

    def look_after(self) -> None:
        """Called twice a second."""
        self.running.look_after()
        if self._wanted is not None and time.monotonic() - self._wanted[0] > _CAMERA_S:
            _, client, said = self._wanted
            self._wanted = None
            self._frame({"camera": False}, b"")  # it may still hear of it
            self._done(client, said.number, "not playing")
        if self.link is not None:
            self.link.say({"alive": True})
        if self.link is None or not self.fresh:
            self._tell(self._state_message())
        self.refresh_results()

    def refresh_results(self) -> None:
        """Read the results again when something has changed in the rig folder."""
        if self._root is None:
            return
        stamp = self._look_at_files(self._root)
        if stamp == self._stamp:
            return
        self._stamp = stamp
        self._aside(partial(ask_job, {"rig": str(self._root), "job": "results"}), self._take_results)

    @property
    def fresh(self) -> bool:
        """True while the player is heard of."""
        return time.monotonic() - self._heard_s < _STALE_S

    @property
    def in_a_line(self) -> str:
        """What goes on where nothing plays, for `systemctl status`."""
        job = self.running.facts()
        if self.running.busy:
            far = f": {job['stage']}, {job['at']} of {job['of']}" if "stage" in job else " begins"
            return f"{job['job']}{far}"
        if self._tables:
            wrong = sum(one["state"] != "well" for one in self._tables)
            return f"tables that need a look: {wrong} of {len(self._tables)}; {len(self._seats)} at the page"
        last = job.get("last")
        return f"{len(self._seats)} at the page" + (f"; last {last['job']}: {last['ended']}" if last else "")

    @property
    def results(self) -> list[dict[str, Any]]:
        """The results in short, newest first."""
        return self._results or []

    def document(self, ticket: str) -> tuple[str, str] | None:
        """Which document of which result a ticket is for; each opens once, within a minute."""
        now = time.monotonic()
        self._tickets = {word: one for word, one in self._tickets.items() if now - one[0] < _TICKET_S}
        found = self._tickets.pop(ticket, None)
        return None if found is None else (found[1], found[2])

    def _do(self, client: "Socket", said: Said) -> None:
        if self.link is None or not self.fresh:
            self._done(client, said.number, "not playing")
            return
        if self.running.busy and said.what != "dark":
            self._done(client, said.number, "busy")  # it would take the window away from the measurement
            return
        if said.what in _HELD:
            held = self._seats[client].held
            held.add(said.what) if said.values and said.values[0] else held.discard(said.what)
        if said.what == "dark" and self.running.busy:
            self.running.stop()
        self._command(said, client)

    def _command(self, said: Said, client: "Socket | None" = None) -> None:
        self._number += 1
        if client is not None:
            self._waiting[self._number] = (client, said.number)
            while len(self._waiting) > 100:  # the player that should have answered is gone
                del self._waiting[next(iter(self._waiting))]
        values = [self._sources.get(str(one), one) for one in said.values] if said.what == "show" else said.values
        message: dict[str, Any] = {"do": said.what, "values": list(values), "number": self._number}
        if said.revision is not None:
            message["revision"] = said.revision
        told = self.link is not None and self.link.say(message)
        if client is not None and not told:
            self._done(client, said.number, "not playing")

    def _job(self, client: "Socket", said: Said) -> None:
        if said.what == "stop":
            self.running.stop()
            self._done(client, said.number, "")
            return
        if not self.running.may_start(said.what) or self._wanted is not None:
            self._done(client, said.number, "busy")
        elif self.link is None or said.what == self.running.name:
            self._start(client, said)
        else:  # the player may hold the camera, which serves one program alone
            self.running.kill()  # the live picture gives way, and gives the camera back, before it is asked for anew
            self._wanted = (time.monotonic(), client, said)
            if not self.link.say({"camera": True}):
                self._wanted = None
                self._done(client, said.number, "not playing")

    def _start(self, client: "Socket", said: Said) -> None:
        started = self.running.start(said.what, {**self._request, "player": self.link is not None})
        self._done(client, said.number, "" if started else "busy")

    def _start_wanted(self) -> None:
        """The player has let go of the camera."""
        wanted, self._wanted = self._wanted, None
        if wanted is not None:
            self._start(*wanted[1:])
        elif not self.running.name:
            self._frame({"camera": False}, b"")  # too late: nobody wants it any more

    def _use(self, client: "Socket", said: Said) -> None:
        def changed(answer: tuple[dict[str, Any], bytes]) -> None:
            refused = str(answer[0].get("why", ""))
            self.note(refused or f"{said.what} is current now", "WARNING" if refused else "INFO")
            self._done(client, said.number, "failed" if refused else "")
            self.refresh_results()

        self._aside(partial(ask_job, {"rig": str(self._root), "job": "use", "result": said.what}), changed)

    def _give_ticket(self, client: "Socket", said: Said) -> None:
        while len(self._tickets) >= _TICKETS:
            del self._tickets[next(iter(self._tickets))]
        ticket = secrets.token_urlsafe(16)
        self._tickets[ticket] = (time.monotonic(), said.what, str(said.values[0]))
        client.tell({"ticket": ticket, "what": said.values[0], "number": said.number})

    def _done(self, client: "Socket", number: int, refused: str, revision: int | None = None) -> None:
        if client in self._seats and number:
            client.tell({"done": number, "refused": refused, "revision": revision})

    def _state_message(self) -> dict[str, Any]:
        if self.link is None:
            return {"state": {"playing": False}, "age_s": 0.0}
        age_s = time.monotonic() - self._heard_s
        return {"state": {**self.state, "playing": bool(self.state)}, "age_s": round(min(age_s, 1e6), 1)}

    def _tell(self, message: dict[str, Any]) -> None:
        for client in list(self._seats):
            client.tell(message)

    def _tell_job(self) -> None:
        self._tell({"job": self.running.facts()})

    def _tell_watching(self) -> None:
        if self.link is not None:
            self.link.say({"watching": any(seat.pictures for seat in self._seats.values())})

    def _show(self, kind: bytes, data: bytes) -> None:
        self._pictures[kind] = data
        for client, seat in list(self._seats.items()):
            if seat.pictures:
                client.show(kind + data)

    def _camera(self, data: bytes) -> None:
        self._show(_CAMERA, data)
        if not self._seats:
            self.running.kill()  # nobody looks

    def _frame(self, message: dict[str, Any], data: bytes) -> None:
        if self.link is not None:
            self.link.say(message, data)

    def _look_at_files(self, root: Path) -> object:
        found: list[object] = []
        for name in ("current.json", "results"):
            with contextlib.suppress(OSError):
                facts = (root / name).stat()
                found.append((facts.st_mtime_ns, facts.st_ino))
        return (*found, self.running.busy, self.running.facts().get("last") is not None)

    def _take_results(self, answer: tuple[dict[str, Any], bytes]) -> None:
        made = answer[0]
        if "why" in made:
            self.note(str(made["why"]), "WARNING")
        self._results = list(made.get("results", []))
        self._tell({"results": self._results})
