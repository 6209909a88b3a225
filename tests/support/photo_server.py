"""A stills camera for tests: a server that photographs when it is asked to, and the command that asks it."""

import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlparse

_ASK = (
    'import socket,sys; s = socket.create_connection(("127.0.0.1", int(sys.argv[1])));'
    's.sendall(f"GET /?{sys.argv[2]} HTTP/1.0\\r\\n\\r\\n".encode());'
    'd = b"".join(iter(lambda: s.recv(65536), b"")); open(sys.argv[3], "wb").write(d.split(b"\\r\\n\\r\\n", 1)[1])'
)
"""As few modules as can be: dozens of these are started in a scan."""


class PhotoServer:
    """Calls `shoot(query)` for each request and sends the bytes of a picture file; close it at the end."""

    def __init__(self, shoot):
        server = self
        self.asked = []

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                query = {name: values[0] for name, values in parse_qs(urlparse(self.path).query).items()}
                server.asked.append(query)
                data = shoot(query)
                self.send_response(200)
                self.end_headers()
                self.wfile.write(data)

            def log_message(self, format, *arguments):
                """Nobody reads it."""

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()

    def command(self, ending, query=""):
        """As it stands in camera.device."""
        return f"run: {sys.executable} -I -S -c '{_ASK}' {self._http.server_address[1]} '{query}' {{file}}{ending}"

    def close(self):
        self._http.shutdown()
        self._http.server_close()
