"""A network camera on loopback: H.264 over RTSP by GStreamer's server, which runs in the system's own Python.

    python3 rtsp_server.py PORT WIDTH HEIGHT KBIT_PER_S

takes raw grey pictures from its standard input, each sent as it comes.
"""

import contextlib
import os
import subprocess
import sys
import threading

_PYTHON = "/usr/bin/python3"  # GStreamer's bindings are Debian's, not the virtual environment's
_PACKAGES = "gir1.2-gst-rtsp-server-1.0 gstreamer1.0-plugins-good gstreamer1.0-plugins-ugly python3-gi"


class RtspServer:
    """Streams what it is given; close it at the end. Skips where GStreamer is missing, or fails where it must not."""

    def __init__(self, size, *, kbit=4000, port=0):
        self._server = subprocess.Popen(
            [_PYTHON, "-I", __file__, str(port), *map(str, size), str(kbit)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        said = self._server.stdout.readline()
        if not said:
            from required import lack  # here: the system's Python runs this file by itself

            self._server.wait(10)
            lack("CAMERAS", f"GStreamer's RTSP server is missing: apt install {_PACKAGES}")
        self.port = int(said)
        self.address = f"rtsp://127.0.0.1:{self.port}/camera"

    def send(self, picture):
        """A (height, width) grey picture."""
        try:
            self._server.stdin.write(picture.tobytes())
            self._server.stdin.flush()
        except (OSError, ValueError):
            """It has been closed."""

    def close(self):
        self._server.kill()
        self._server.wait(10)
        self._server.stdout.close()
        with contextlib.suppress(OSError):  # pictures that were not sent any more
            self._server.stdin.close()


class Feed:
    """Sends `picture()` to a server so many times a second until it is closed."""

    def __init__(self, server, picture, *, rate=20.0):
        self.server, self._picture, self._pause_s = server, picture, 1.0 / rate
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self):
        while not self._over.wait(self._pause_s):
            self.server.send(self._picture())

    def close(self):
        self._over.set()
        self._thread.join(5)


def _serve(port, width, height, kbit):
    import gi

    gi.require_version("Gst", "1.0")
    gi.require_version("GstRtspServer", "1.0")
    from gi.repository import GLib, Gst, GstRtspServer

    Gst.init(None)
    sources = []
    factory = GstRtspServer.RTSPMediaFactory()
    factory.set_launch(
        "( appsrc name=source is-live=true format=time do-timestamp=true "
        f"caps=video/x-raw,format=GRAY8,width={width},height={height},framerate=0/1 ! queue ! videoconvert "
        f"! video/x-raw,format=I420 ! x264enc tune=zerolatency speed-preset=ultrafast key-int-max=30 bitrate={kbit} "
        "! queue ! rtph264pay name=pay0 pt=96 )"
    )
    factory.set_shared(True)
    factory.connect("media-configure", lambda _, media: sources.append(media.get_element().get_child_by_name("source")))
    server = GstRtspServer.RTSPServer(service=str(port), address="127.0.0.1")
    server.get_mount_points().add_factory("/camera", factory)
    server.attach(None)
    sys.stdout.write(f"{server.get_bound_port()}\n")
    sys.stdout.flush()

    def pictures():
        while len(data := sys.stdin.buffer.read(width * height)) == width * height:
            for source in sources[-1:]:
                source.emit("push-buffer", Gst.Buffer.new_wrapped(data))
        os._exit(0)

    threading.Thread(target=pictures, daemon=True).start()
    GLib.MainLoop().run()


if __name__ == "__main__":
    _serve(*map(int, sys.argv[1:]))
