"""A watch on the way from a network camera: RTSP over TCP is passed on as it is, and its packets are counted.

OpenCV delivers what its decoder has painted over as if nothing were missing. So it connects to a port of this machine,
which this module passes on to the camera. Beside RTSP's text, each packet stands behind "$", the channel's number and
its length (RFC 7826, section 14).
"""

import contextlib
import re
import socket
import threading
from typing import BinaryIO, Final

from rigwarp.devices.rtp_packets import VideoPackets

SCHEME: Final = "rtsp://"
_PORT: Final = 554
_CONNECT_S: Final = 5.0
_CHUNK: Final = 1 << 16
_LONGEST_TEXT: Final = 1 << 20
_ADDRESS: Final = re.compile(r"rtsp://((?:[^/?#@]*@)?)(\[[^\]/]+\]|[^/:?#]+)(?::(\d{1,5}))?(?=[/?#]|$)", re.IGNORECASE)
_LENGTH: Final = re.compile(rb"(?im)^content-length:\s*(\d{1,7})\s*$")


class RtpWatch:
    """Passes on connections to one camera, until it is closed.

    Attributes
    ----------
    address : where the camera is heard through it.

    Raises
    ------
    ValueError
        When that is no address of an RTSP stream.
    """

    def __init__(self, address: str) -> None:
        found = _ADDRESS.match(address)
        if found is None:
            raise ValueError("this is no address of an RTSP stream")  # which may have a password in it
        whom, host, port = found.groups()
        self._camera = (host.strip("[]"), int(port or _PORT))
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"{SCHEME}{whom}127.0.0.1:{self._listening.getsockname()[1]}{address[found.end() :]}"
        self._packets = VideoPackets()
        self._lost_before = self._lost_told = 0
        threading.Thread(target=self._accept, name="camera watch", daemon=True).start()

    @property
    def lost(self) -> int:
        """Packets of video that never came, over all connections."""
        return self._lost_before + self._packets.lost

    def broken(self) -> bool:
        """Pictures are wrong now, until the next whole key frame, or were since this was asked last.

        Packets come in bursts: loss and key frame may both be here before the decoder has delivered what is wrong.
        """
        lost, before = self.lost, self._lost_told
        self._lost_told = lost
        return lost != before or self._packets.broken

    def close(self) -> None:
        """Take no more connections; those that are open end with their own ends. Calling it twice is fine."""
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits
        self._listening.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                decoder, _ = self._listening.accept()
                try:
                    camera = socket.create_connection(self._camera, timeout=_CONNECT_S)
                except (OSError, OverflowError, UnicodeError):  # not there, no such port, no such name
                    decoder.close()
                    continue
                camera.settimeout(None)
                for end in (decoder, camera):
                    end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._lost_before, self._packets = self.lost, VideoPackets()
                threads = ((_to_camera, (decoder, camera)), (_to_decoder, (camera, decoder, self._packets)))
                for work, ends in threads:
                    threading.Thread(target=work, args=ends, name="camera watch", daemon=True).start()


def _to_camera(decoder: socket.socket, camera: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := decoder.recv(_CHUNK):
            camera.sendall(data)
    _end(camera, decoder)


def _to_decoder(camera: socket.socket, decoder: socket.socket, packets: VideoPackets) -> None:
    with contextlib.suppress(OSError), camera.makefile("rb") as coming:
        while data := _next(coming, packets):
            decoder.sendall(data)
    _end(camera, decoder)


def _next(coming: BinaryIO, packets: VideoPackets) -> bytes:
    """A packet, or a piece of text with its body, to be passed on; empty at the end."""
    head = coming.read(1)
    if head == b"$":
        head += coming.read(3)
        packet = coming.read(int.from_bytes(head[2:], "big"))
        packets.take(packet)
        return head + packet
    while head and not head.endswith((b"\r\n\r\n", b"\n\n")):
        line = coming.readline(_CHUNK)
        if not line or len(head) > _LONGEST_TEXT:
            return b""
        head += line
        if head.isspace():
            return head
    length = _LENGTH.search(head)
    body = coming.read(min(int(length[1]), _LONGEST_TEXT)) if length else b""
    if b"application/sdp" in head.lower():
        packets.describe(body.decode("utf-8", "replace"))
    return head + body


def _end(*ends: socket.socket) -> None:
    for end in ends:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
