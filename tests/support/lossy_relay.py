"""A network between an RTSP camera and its reader that loses packets: RTSP over TCP is passed on, but for some of them.

So do cameras whose sending queue is full, and recorders that pass a camera's stream on.
"""

import contextlib
import socket
import threading

_FULL = 1200  # bytes, of 1400


class LossyRelay:
    """Listens on `port`; `lose(packets)` loses as many of the next full packets of video; `lost` counts them.

    Only pictures of something new are so large that they fill packets.
    """

    def __init__(self, port):
        self._camera = port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self.address = f"rtsp://127.0.0.1:{self.port}/camera"
        self._to_lose = self.lost = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def lose(self, packets):
        self._to_lose = packets

    def close(self):
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _accept(self):
        with contextlib.suppress(OSError):
            while True:
                reader, _ = self._listening.accept()
                camera = socket.create_connection(("127.0.0.1", self._camera))
                threading.Thread(target=self._up, args=(reader, camera), daemon=True).start()
                threading.Thread(target=self._down, args=(camera, reader), daemon=True).start()

    def _up(self, reader, camera):
        with contextlib.suppress(OSError):
            while data := reader.recv(65536):
                camera.sendall(data)
        camera.close()

    def _down(self, camera, reader):
        with contextlib.suppress(OSError), camera.makefile("rb") as coming:
            while first := coming.read(1):
                if first != b"$":
                    reader.sendall(first + coming.readline())
                    continue
                head = coming.read(3)
                packet = coming.read(int.from_bytes(head[1:], "big"))
                if head[0] == 0 and self._to_lose and len(packet) > _FULL:  # the first channel is the video's
                    self._to_lose -= 1
                    self.lost += 1
                else:
                    reader.sendall(first + head + packet)
        reader.close()
