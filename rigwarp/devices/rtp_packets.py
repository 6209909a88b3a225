"""Whether the video in a stream of RTP packets is whole: what was lost is seen by the packets' numbers.

A picture that is told as a change of the one before stays wrong after a loss, however many follow it, and a decoder
paints over what is missing with what was there before. Only a whole key frame mends it.

RTP: RFC 3550, section 5.1; where key frames begin: RFC 6184 (H.264), RFC 7798 (H.265); JPEG (RFC 2435) has no others.
"""

import re
import struct
from collections.abc import Callable
from typing import Final

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
        self._is_key: dict[int, Callable[[bytes], bool]] = {_JPEG_TYPE: _always}
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


def _always(_: bytes) -> bool:
    return True


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


_KEYS: Final[dict[str, Callable[[bytes], bool]]] = {"H264": _h264_key, "H265": _h265_key, "JPEG": _always}
