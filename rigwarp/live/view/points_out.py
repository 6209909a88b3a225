"""Points on the table, sent to other programs: as plain OSC messages, or as cursors of TUIO 1.1.

Whatever follows hands and things in the camera's pictures hands over its pixels; here they become places. TUIO 1.1
(tuio.org, "TUIO 1.1 Protocol Specification") is OSC 1.0 over UDP: each bundle names all cursors alive, their places and
velocities, and the number of the frame; places run from 0 to 1 over the surface, x to the right, y down.
"""

import socket
import struct
import time
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rigwarp.defaults import LOCAL
from rigwarp.errors import DeviceError, InputError
from rigwarp.geometry import Array
from rigwarp.live.operate.osc import Message, build_message
from rigwarp.rig import TopView

TUIO_PORT: Final = 3333
_CURSORS = "/tuio/2Dcur"
_AT_ONCE = b"#bundle\0" + struct.pack(">Q", 1)  # OSC 1.0: time tag 1 is "immediately"
_PACKET_BYTES = 1472  # what a packet of Ethernet holds
_LARGEST_BYTES = 65_000  # a datagram holds 65,507
_LARGEST_ID = 2**31 - 1


class PointsOut:
    """Sends places to one address; `close` it, or use it in a `with` statement.

    Parameters
    ----------
    top : the surface of TUIO's cursors: the straight top view.
    host, port : where to, by UDP.
    tuio : cursors of TUIO 1.1 instead of `/rigwarp/point id x_mm y_mm sigma_mm`.

    Raises
    ------
    InputError
        There is no such host or port.
    """

    def __init__(self, top: TopView, *, host: str = LOCAL, port: int = TUIO_PORT, tuio: bool = False) -> None:
        self._top, self._tuio = top, tuio
        if not 0 < port < 65536:
            raise InputError(f"points to {host}: found the port {port}, expected 1 to 65535. Name another one")
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        except (OSError, UnicodeError) as error:
            raise InputError(f"points to {host}:{port}: found no such address ({error}). Name another one") from None
        self._socket = socket.socket(found[0], socket.SOCK_DGRAM)
        self._to, self._name = found[4], f"{host}:{port}"
        self._frame = 0
        self._before: dict[int, tuple[float, Array, Array]] = {}
        self._sent: set[int] = set()

    def __enter__(self) -> "PointsOut":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._socket.close()

    def send(self, mm: Mapping[int, ArrayLike], sigma_mm: Mapping[int, float], *, seconds: float | None = None) -> None:
        """All points of one picture, by number; those that are no longer there are told to be gone.

        A point keeps its number as long as it is followed. NaN, or for TUIO a place beside the top view, is not there.

        Parameters
        ----------
        mm : place (2,) on the table.
        sigma_mm : 1-sigma per axis of each.
        seconds : when the picture was taken, by any steady clock, for TUIO's velocities; now by default.

        Raises
        ------
        InputError
            A number that fits in no message.
        DeviceError
            The network does not take it.
        """
        if wrong := [number for number in mm if not 0 <= number <= _LARGEST_ID]:
            raise InputError(f"points: found the number {wrong[0]}, expected 0 to {_LARGEST_ID}. Count from 0")
        places = {int(number): np.asarray(place, float) for number, place in mm.items()}
        places = {number: place for number, place in places.items() if np.isfinite(place).all()}
        if self._tuio:
            self._send_cursors(places, time.monotonic() if seconds is None else seconds)
        else:
            self._send_plain(places, sigma_mm)

    def _send_plain(self, places: Mapping[int, Array], sigma_mm: Mapping[int, float]) -> None:
        told = [
            Message(address="/rigwarp/point", values=(number, float(x), float(y), float(sigma_mm[number])))
            for number, (x, y) in places.items()
        ]
        told += [Message(address="/rigwarp/gone", values=(number,)) for number in sorted(self._sent - places.keys())]
        self._sent = set(places)
        self._send(told)

    def _send_cursors(self, places: Mapping[int, Array], seconds: float) -> None:
        on = {number: self._share(place) for number, place in places.items()}
        on = {number: place for number, place in on.items() if ((place >= 0.0) & (place <= 1.0)).all()}
        cursors = [self._cursor(number, place, seconds) for number, place in on.items()]
        self._before = {number: self._before[number] for number in on}
        self._frame += 1
        head = [
            Message(address=_CURSORS, values=("source", "rigwarp")),
            Message(address=_CURSORS, values=("alive", *on)),
        ]
        self._send(cursors, head=head, tail=[Message(address=_CURSORS, values=("fseq", self._frame))])

    def _cursor(self, number: int, place: Array, seconds: float) -> Message:
        """Place, velocity in widths and heights of the surface per second, and how fast its speed changes."""
        then, before, moving = self._before.get(number, (seconds, place, np.zeros(2)))
        passed = seconds - then
        speed = (place - before) / passed if passed > 0.0 else moving
        faster = (np.linalg.norm(speed) - np.linalg.norm(moving)) / passed if passed > 0.0 else 0.0
        self._before[number] = (seconds, place, speed)
        return Message(address=_CURSORS, values=("set", number, *map(float, (*place, *speed, faster))))

    def _share(self, place_mm: Array) -> Array:
        """(2,) from the top view's left upper corner, as shares of its size."""
        x, y = (place_mm - self._top.centre_mm) / self._top.size_mm
        return np.array([x + 0.5, 0.5 - y])

    def _send(self, messages: Sequence[Message], *, head: Sequence[Message] = (), tail: Sequence[Message] = ()) -> None:
        """As bundles that fit into packets of Ethernet, each between `head` and `tail`.

        Whoever is not among those alive is gone for the receiver, so a head is never cut. Where it takes more than half
        of a packet (of 130 cursors; 280 fill one), bundles are twice as long as it, for the network to take apart: else
        each would hold a single cursor.
        """
        first, parts, last = b"".join(map(_element, head)), b"", b"".join(map(_element, tail))
        most = min(max(_PACKET_BYTES, 2 * len(first)), _LARGEST_BYTES)
        for part in map(_element, messages):
            if parts and len(_AT_ONCE) + len(first) + len(parts) + len(part) + len(last) > most:
                self._packet(first + parts + last)
                parts = b""
            parts += part
        if parts or head:
            self._packet(first + parts + last)

    def _packet(self, elements: bytes) -> None:
        try:
            self._socket.sendto(_AT_ONCE + elements, self._to)
        except OSError as error:
            raise DeviceError(f"points to {self._name}: {error.strerror}. Check the network and the address") from None


def _element(message: Message) -> bytes:
    packet = build_message(message)
    return struct.pack(">i", len(packet)) + packet
