"""A watch on the way from a network camera: RTSP over TCP is passed on as it is, and its packets are counted.

OpenCV delivers what its decoder has painted over as if nothing were missing. So it connects to a port of this machine,
which this module passes on to the camera. Beside RTSP's text, each packet stands behind "$", the channel's number and
its length (RFC 7826, section 14).

Whether the video is whole is seen by the packets' numbers. A picture that is told as a change of the one before stays
wrong after a loss, however many follow it, and a decoder paints over what is missing with what was there before. Only a
whole key frame mends it.

RTP: RFC 3550, section 5.1; where key frames begin: RFC 6184 (H.264), RFC 7798 (H.265); JPEG (RFC 2435) has no others.
"""

import contextlib
import re
import socket
import struct
import threading
from collections.abc import Callable
from typing import BinaryIO, Final

SCHEME: Final = "rtsp://"
_PORT: Final = 554
_CONNECT_S: Final = 5.0
_CHUNK: Final = 1 << 16
_LONGEST_TEXT: Final = 1 << 20
_ADDRESS: Final = re.compile(r"rtsp://((?:[^/?#@]*@)?)(\[[^\]/]+\]|[^/:?#]+)(?::(\d{1,5}))?(?=[/?#]|$)", re.IGNORECASE)
_LENGTH: Final = re.compile(rb"(?im)^content-length:\s*(\d{1,7})\s*$")
_HEAD: Final = struct.Struct(">BBHII")
_JPEG_TYPE: Final = 26  # RFC 3551: the payload type that needs no words in the description
_TURN: Final = 1 << 16


class VideoPackets:
    """Follows the packets of one connection.

    Attributes
    ----------
    lost : packets of video that never came.
    broken : pictures are wrong from a loss until the next whole key frame has passed.
    """

    def __init__(self) -> None:
        self.lost = 0
        self.broken = False
        self._is_key: dict[int, Callable[[bytes], bool]] = {_JPEG_TYPE: _KEYS["JPEG"]}
        self._source: int | None = None
        self._number = self._moment = -1
        self._whole = self._key = False

    def describe(self, description: str) -> None:
        """Learn from a session description (SDP, RFC 8866) which payload types are video, and how it is coded."""
        for media in re.split(r"(?m)^m=", description)[1:]:
            if media.startswith("video"):
                for payload, coding in re.findall(r"(?m)^a=rtpmap:(\d+) ([\w-]+)/", media):
                    if (is_key := _KEYS.get(coding.upper())) is not None:
                        self._is_key[int(payload)] = is_key

    def take(self, packet: bytes) -> None:
        """The next packet that came; what is no video, or coded otherwise, counts for nothing."""
        if len(packet) <= _HEAD.size:
            return
        first, second, number, moment, source = _HEAD.unpack_from(packet)
        is_key = self._is_key.get(second & 0x7F)
        if is_key is None:
            return
        missing = 0 if source != self._source else (number - self._number - 1) % _TURN
        if missing >= _TURN // 2:  # one that came before, once more
            return
        if missing:
            self.lost += missing
            self.broken = True
        if moment != self._moment or source != self._source:
            self._whole, self._key = True, False
        self._whole = self._whole and not missing
        self._source, self._number, self._moment = source, number, moment
        self._key = self._key or is_key(_payload(packet, first))
        if second & 0x80 and self._whole and self._key:  # the marker: the picture's last packet
            self.broken = False


def _payload(packet: bytes, first: int) -> bytes:
    """What stands behind the contributing sources and the header's extension, where there are any."""
    start = _HEAD.size + 4 * (first & 0x0F)
    if first & 0x10:
        start += 4 + 4 * int.from_bytes(packet[start + 2 : start + 4], "big")
    return packet[start:]


def _h264_key(payload: bytes) -> bool:
    """A slice of an IDR picture (5), alone, the first of a packet of several (24), or in parts (28)."""
    kind = payload[0] & 0x1F if payload else 0
    if kind == 24:
        return any(unit[0] & 0x1F == 5 for unit in _units(payload[1:]))
    return (payload[1] & 0x1F if kind == 28 and len(payload) > 1 else kind) == 5


def _h265_key(payload: bytes) -> bool:
    """A random access picture (16 to 21), alone, in a packet of several (48), or in parts (49)."""
    kind = payload[0] >> 1 & 0x3F if payload else 0
    if kind == 48:
        return any(16 <= unit[0] >> 1 & 0x3F <= 21 for unit in _units(payload[2:]))
    return 16 <= (payload[2] & 0x3F if kind == 49 and len(payload) > 2 else kind) <= 21


def _units(data: bytes) -> list[bytes]:
    """What stands in a packet of several, each behind its length."""
    found = []
    while len(data) > 2:
        size = int.from_bytes(data[:2], "big")
        found.append(data[2 : 2 + size])
        data = data[2 + size :]
    return [unit for unit in found if unit]


_KEYS: Final[dict[str, Callable[[bytes], bool]]] = {"H264": _h264_key, "H265": _h265_key, "JPEG": lambda _: True}


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
