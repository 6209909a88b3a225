"""A network camera on loopback: pictures as Motion JPEG over HTTP, each at the moment it is due."""

import queue
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

_BOUNDARY = "frame"


class MjpegServer:
    """Serves one viewer after the other. Pictures that nobody watches are thrown away; close it at the end.

    Parameters
    ----------
    port : where; 0 takes a free one.
    """

    def __init__(self, port=0):
        self._pictures = queue.Queue()
        self._viewers = 0
        server = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                server._serve(self)

            def log_message(self, format, *arguments):
                """Nobody reads it."""

        self._http = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._http.daemon_threads = True
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()

    @property
    def port(self):
        return self._http.server_address[1]

    @property
    def address(self):
        return f"http://127.0.0.1:{self.port}/camera.mjpg"

    @property
    def watched(self):
        return self._viewers > 0

    def send(self, jpeg, due_s):
        """Deliver a picture at a moment of `time.monotonic`; what was sent before goes first."""
        if self.watched:
            self._pictures.put((due_s, jpeg))

    def close(self):
        """Drop the viewers in the middle of their stream; nobody can connect any more."""
        self._over.set()
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(5)

    def _serve(self, request):
        request.send_response(200)
        request.send_header("Content-Type", f"multipart/x-mixed-replace; boundary={_BOUNDARY}")
        request.end_headers()
        while not self._pictures.empty():
            self._pictures.get_nowait()
        self._viewers += 1
        try:
            while not self._over.is_set():
                try:
                    due_s, jpeg = self._pictures.get(timeout=0.1)
                except queue.Empty:
                    continue
                if self._over.wait(max(0.0, due_s - time.monotonic())):
                    return
                head = f"--{_BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(jpeg)}\r\n\r\n"
                request.wfile.write(head.encode() + jpeg + b"\r\n")
        except OSError:
            """The viewer has left."""
        finally:
            self._viewers -= 1
