"""Serving the page of one rig: routes and limits, addresses, keys, the code to be photographed, the server's life."""

import asyncio
import signal
import sys
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from socket import socket
from typing import Any, Final

from tornado import httpserver, ioloop, netutil, web

from rigwarp.errors import DeviceError
from rigwarp.page.guard import MESSAGE_BYTES, MOST_CONNECTIONS, MOST_FROM_ONE, places_of
from rigwarp.page.hub import Hub
from rigwarp.page.requests import Document, Files, Health, Nothing, Site, State, static_files
from rigwarp.page.sockets import Socket
from rigwarp.talk.hosts import EVERYWHERE, http_address, own_names
from rigwarp.talk.keys import PageKeys
from rigwarp.talk.metrics import notify_service
from rigwarp.talk.pipes import Talk

_LOOK_S, _KEYS_S, _TABLES_S = 0.5, 1.0, 2.0
_PING_S: Final = 10
_HEADER_BYTES, _BODY_BYTES = 16384, 1024
_SLOW_S: Final = 10.0
"""A whole request has to have come by then, however it trickles."""


@dataclass(frozen=True, kw_only=True)
class Address:
    """Where the page is.

    Attributes
    ----------
    port : where it listens.
    plain : without a key.
    operate, view : with one, behind a # that no browser sends to a server.
    code : rows of the first as a two-dimensional code, "0" and "1".
    """

    port: int
    plain: str
    operate: str
    view: str
    code: tuple[str, ...]


def serve(
    hello: dict[str, Any],
    *,
    talk: Callable[[Callable[..., object], Callable[[], object]], Talk] | None = None,
    on_ready: Callable[[Address], object],
    new_keys: Callable[[], PageKeys | None] | None = None,
    tables: Callable[[], list[dict[str, Any]]] | None = None,
) -> None:
    """Serve until the player goes, or somebody ends it.

    Parameters
    ----------
    hello : "rig", "host", "port", "names", "keys" and "display" for the server; the rest is for the browsers.
    talk : makes the connection to the player, given what hears its messages and its end; None: nothing plays.
    on_ready : told the addresses once it listens.
    tables : looks at several tables, every two seconds in a thread of its own; then there is no rig.
    new_keys : asked every second for keys that have taken the place of those before; None: there are none.

    Raises
    ------
    DeviceError
        When the port cannot be had.
    """
    asyncio.run(_serve(dict(hello), talk, on_ready, new_keys, tables))


async def _serve(
    hello: dict[str, Any], talk: Any, on_ready: Callable[[Address], object], new_keys: Any, tables: Any
) -> None:
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    host, port, rig = str(hello.pop("host")), int(hello.pop("port")), hello.pop("rig")
    root = Path(rig) if rig else None
    names, display = hello.pop("names"), hello.pop("display")
    keys = PageKeys(**hello.pop("keys"))
    pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="rigwarp-aside")

    def later(call: Callable[..., object], *given: Any) -> None:
        if not loop.is_closed():
            loop.call_soon_threadsafe(call, *given)

    def aside(work: Callable[[], Any], done: Callable[[Any], object]) -> None:
        pool.submit(work).add_done_callback(lambda made: later(done, made.result()) if not made.exception() else None)

    try:
        sockets = netutil.bind_sockets(port, address=host)
    except (OSError, OverflowError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise DeviceError(
            f"cannot listen on {host}:{port} ({reason}); another page may be there already. Choose another port."
        ) from error
    port = sockets[0].getsockname()[1]
    hub = Hub(root, hello, {"display": display}, keys, later=later, aside=aside)
    places = places_of(host, port, own=own_names(), names=names)
    site = Site(hub=hub, places=places, root=root, files=static_files())
    server = _serve_at(site, sockets)
    if talk is not None:
        hub.link = talk(lambda message, data: later(hub.heard, message, data), lambda: later(ended.set))
    stopped_by: list[int] = []

    def stop(number: int) -> None:
        stopped_by.append(number)
        ended.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        if sys.platform != "win32" and threading.current_thread() is threading.main_thread():
            loop.add_signal_handler(number, stop, number)
    looking = ioloop.PeriodicCallback(site.look_after, 1000 * _LOOK_S)
    looking.start()
    if new_keys is not None:
        ioloop.PeriodicCallback(lambda: hub.take_keys(new_keys()), 1000 * _KEYS_S).start()
    if tables is not None:
        looking_at = asyncio.create_task(_look_at_tables(hub, tables))
    if talk is None:  # else the player tells
        notify_service("READY=1")
        site.told = ""
    on_ready(address_of(host, port, keys, names))
    try:
        await ended.wait()
    finally:
        was_busy = hub.running.busy
        if tables is not None:
            looking_at.cancel()
        looking.stop()
        server.stop()
        hub.running.kill()
        pool.shutdown(wait=False, cancel_futures=True)
    if talk is None and signal.SIGINT in stopped_by:
        unfinished = " What it was still measuring is not used." if was_busy else ""
        raise KeyboardInterrupt(f"the page has ended.{unfinished}")


async def _look_at_tables(hub: Hub, look: Callable[[], list[dict[str, Any]]]) -> None:
    while True:
        hub.take_tables(await asyncio.to_thread(look))
        await asyncio.sleep(_TABLES_S)


def address_of(host: str, port: int, keys: PageKeys, names: list[str]) -> Address:
    """Where browsers find a page that listens there."""
    import segno

    plain = http_address(names[0] if names and host in EVERYWHERE else host, port)
    operate, view = f"{plain}#k={keys.operate}", f"{plain}#k={keys.view}"
    code = segno.make(operate, micro=False).matrix
    return Address(
        port=port,
        plain=plain,
        operate=operate,
        view=view,
        code=tuple("".join("1" if module else "0" for module in row) for row in code),
    )


class _Server(httpserver.HTTPServer):
    """Not more connections at once than anybody needs, and one address leaves room for others."""

    def handle_stream(self, stream: Any, address: Any) -> None:
        """Called by tornado for each connection."""
        from_there = sum(getattr(one.context, "remote_ip", None) == address[0] for one in self._connections)
        if len(self._connections) >= MOST_CONNECTIONS or from_there >= MOST_FROM_ONE:
            stream.close()
            return
        super().handle_stream(stream, address)


def _application(site: Site) -> web.Application:
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


def _serve_at(site: Site, sockets: Iterable[socket]) -> httpserver.HTTPServer:
    """Serve at sockets that listen."""
    server = _Server(
        _application(site),
        max_header_size=_HEADER_BYTES,
        max_body_size=_BODY_BYTES,
        max_buffer_size=4 * MESSAGE_BYTES,
        idle_connection_timeout=_SLOW_S,
        body_timeout=_SLOW_S,
    )
    server.add_sockets(list(sockets))
    return server
