"""Pictures for browsers and programs over HTTP: the newest one each time, so that a slow client holds nobody up.

    /           a page with the live picture
    /view.mjpg  Motion JPEG (multipart/x-mixed-replace), which every browser, OpenCV and `rigwarp play` read
    /view.jpg   one picture
    /view.json  what the picture shows, in millimetres, and how old it is

Anybody who reaches the port may look. Pages of other sites may not: a name in `Host` that is not this machine's is a
site that has pointed its own name here (DNS rebinding), and pictures are not for embedding elsewhere.
"""

import ipaddress
import json
import threading
import time
from collections.abc import Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.defaults import LOCAL
from rigwarp.errors import DeviceError
from rigwarp.talk.hosts import own_names, split_host

MOST_CLIENTS: Final = 8
QUALITY: Final = 80
_PATIENCE_S = 5.0  # for a request to come in, and for a client to take what it is sent
_BOUNDARY = b"picture"
_WAIT_S = 1.0
_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; img-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
_PAGE = (
    b'<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
    b"<title>rigwarp: the table from above</title><style>body{margin:0;background:#181a1e}"
    b"img{display:block;width:100vw;height:100vh;object-fit:contain}</style>"
    b'<img src="view.mjpg" alt="The table from above, live"></html>'
)


def host_allowed(host: str | None, names: frozenset[str]) -> bool:
    """Whether a request's `Host` names this machine: by an address, which no other site can own, or a name of its own.

    `host` may have a port, or be missing (None); `names` are this machine's, in lower case.
    """
    found = split_host(host) if host else None
    if found is None:
        return False
    try:
        ipaddress.ip_address(found[0])
    except ValueError:
        return found[0] in names
    return True


class PictureServer:
    """Serves the newest picture until it is closed.

    Parameters
    ----------
    port : where; 0 takes a free one.
    host : address to listen on.
    about : what the pictures show, as JSON values.
    most_clients : so many connections at once; further ones are told to come later.

    Raises
    ------
    DeviceError
        The port cannot be had.
    """

    def __init__(
        self, port: int, *, host: str = LOCAL, about: Mapping[str, Any], most_clients: int = MOST_CLIENTS
    ) -> None:
        self.about = dict(about)
        self._news = threading.Condition()
        self._newest: tuple[int, NDArray[np.uint8], float] | None = None
        self._jpeg: tuple[int, bytes, float] = (0, b"", 0.0)
        self._encoding = threading.Lock()
        self.over = threading.Event()
        try:
            self._http = _Server((host, port), self, most_clients)
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or error
            raise DeviceError(f"cannot listen on {host}:{port} ({reason}): give --http another port") from None
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.1,), name="http", daemon=True)
        self._thread.start()
        self.port = int(self._http.server_address[1])

    @property
    def clients(self) -> int:
        """Connections that are open."""
        return self._http.open_connections

    def show(self, picture: NDArray[np.uint8], captured_s: float) -> None:
        """Hand over a picture, (H, W) or (H, W, 3) blue, green, red; never waits, and keeps it, so do not change it."""
        with self._news:
            number = self._newest[0] + 1 if self._newest else 1
            self._newest = (number, picture, captured_s)
            self._news.notify_all()

    def jpeg(self, after: int, timeout_s: float = _WAIT_S) -> tuple[int, bytes, float] | None:
        """Number, JPEG and moment of capture of the first picture newer than number `after`; None: none came."""
        with self._news:
            self._news.wait_for(lambda: self._newest is not None and self._newest[0] > after, timeout_s)
            newest = self._newest
        if newest is None or newest[0] <= after:
            return None
        number, picture, captured_s = newest
        with self._encoding:  # once for all clients, and only where there is one
            if self._jpeg[0] < number:
                done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
                if not done:
                    return None
                self._jpeg = (number, data.tobytes(), captured_s)
            return self._jpeg

    def close(self) -> None:
        """Take no more connections and end those that are open; calling it twice is fine."""
        if self.over.is_set():
            return
        self.over.set()
        self._http.shutdown()
        self._http.server_close()
        with self._news:
            self._news.notify_all()
        self._thread.join(_PATIENCE_S)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, address: tuple[str, int], pictures: PictureServer, most: int) -> None:
        self.pictures, self.names = pictures, own_names()
        self._most, self.open_connections, self._count = most, 0, threading.Lock()
        super().__init__(address, _Handler)

    def verify_request(self, request: Any, client_address: Any) -> bool:
        with self._count:
            room = self.open_connections < self._most
            self.open_connections += room
        if not room:
            request.settimeout(_PATIENCE_S)
            try:
                request.sendall(b"HTTP/1.0 503 Too many clients\r\nRetry-After: 10\r\nContent-Length: 0\r\n\r\n")
            except OSError:
                return False
        return room

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            with self._count:
                self.open_connections -= 1

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that is gone is no news."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = _PATIENCE_S
    server_version, sys_version = "rigwarp", ""

    def do_GET(self) -> None:
        if not host_allowed(self.headers.get("Host"), self.server.names):
            self._say(HTTPStatus.MISDIRECTED_REQUEST)
        elif self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            self._say(HTTPStatus.FORBIDDEN)
        elif self.path == "/":
            self._answer("text/html; charset=utf-8", _PAGE)
        elif self.path == "/favicon.ico":  # browsers ask for it and complain of 404
            self._say(HTTPStatus.NO_CONTENT)
        elif self.path == "/view.json":
            self._answer("application/json", json.dumps(self._about()).encode())
        elif self.path == "/view.jpg":
            shot = self.server.pictures.jpeg(0)
            if shot is None:
                self._say(HTTPStatus.SERVICE_UNAVAILABLE)
            else:
                self._answer("image/jpeg", shot[1])
        elif self.path == "/view.mjpg":
            self._stream()
        else:
            self._say(HTTPStatus.NOT_FOUND)

    def _about(self) -> dict[str, Any]:
        shot = self.server.pictures.jpeg(0, 0.0)
        age_ms = None if shot is None else round(1e3 * (time.monotonic() - shot[2]), 1)
        return {**self.server.pictures.about, "age_ms": age_ms, "clients": self.server.open_connections}

    def _stream(self) -> None:
        self._head("multipart/x-mixed-replace; boundary=" + _BOUNDARY.decode())
        number, pictures = 0, self.server.pictures
        while not pictures.over.is_set():
            shot = pictures.jpeg(number)
            if shot is None:
                continue
            number, jpeg, captured_s = shot
            age_ms = 1e3 * (time.monotonic() - captured_s)
            head = f"\r\nContent-Type: image/jpeg\r\nContent-Length: {len(jpeg)}\r\nX-Age-Ms: {age_ms:.1f}\r\n\r\n"
            self.wfile.write(b"--" + _BOUNDARY + head.encode() + jpeg + b"\r\n")

    def _answer(self, kind: str, body: bytes) -> None:
        self._head(kind, len(body))
        self.wfile.write(body)

    def _say(self, status: HTTPStatus) -> None:
        self._head("text/plain; charset=utf-8", 0, status)

    def _head(self, kind: str, length: int | None = None, status: HTTPStatus = HTTPStatus.OK) -> None:
        self.send_response(status)
        for name, value in {"Content-Type": kind, **_HEADERS}.items():
            self.send_header(name, value)
        if length is not None:
            self.send_header("Content-Length", str(length))
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        """Addresses of those who look are nobody's business."""
