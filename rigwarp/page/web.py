"""The page's server: which address leads to what, how large and how slow a request may be."""

from collections.abc import Iterable
from socket import socket
from typing import Any, Final

from tornado import httpserver, web

from rigwarp.page.guard import MESSAGE_BYTES, MOST_CONNECTIONS, MOST_FROM_ONE
from rigwarp.page.requests import Document, Files, Health, Nothing, State
from rigwarp.page.site import Site
from rigwarp.page.sockets import Socket

_PING_S: Final = 10
_HEADER_BYTES, _BODY_BYTES = 16384, 1024
_SLOW_S: Final = 10.0
"""A whole request has to have come by then, however it trickles."""


class _Server(httpserver.HTTPServer):
    """Not more connections at once than anybody needs, and one address leaves room for others."""

    def handle_stream(self, stream: Any, address: Any) -> None:
        """Called by tornado for each connection."""
        from_there = sum(getattr(one.context, "remote_ip", None) == address[0] for one in self._connections)
        if len(self._connections) >= MOST_CONNECTIONS or from_there >= MOST_FROM_ONE:
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
