"""Remote control by OSC 1.0 over UDP: packets in, commands for the frame loop out.

The address space, all below /rigwarp:

    show NAME            another source: picture, folder, video, camera:0, stream address, check:grid
    go / hold            let time run, or stand still
    seek SECONDS         go to a moment of the source
    dark 1|0             black, and light again
    brightness 0..1      light of the content
    black 0..0.2         light of the content's black
    shift X Y            content moved on the table, in mm (both absolute)
    turn DEGREES         content turned, counter-clockwise seen from above
    scale FACTOR         content enlarged
    even LIMIT FALLOFF   light evened out: dimmed to LIMIT (0.05..1) at most, the rim darker by FALLOFF (0..0.9)
    spot X Y DX DY REACH a spot taken along by DX, DY (mm); the same spot again replaces its way
    mask X Y X Y X Y ... a polygon without light; unmask takes the last one back
    undo / redo / reset  steps of the correction
    grid 1|0             the check grid instead of the content, and the content again
    before 1|0           the result before the present one, for comparing, and the present one again
    code 1|0             the code of the page on the table, for a minute at most
    status               answered to the sender by /rigwarp/status with one JSON text

Anything else, and anything malformed, is ignored and counted.
"""

import logging
import socket
import threading
import time
from collections import deque
from functools import partial

from rigwarp.defaults import LOCAL
from rigwarp.errors import DeviceError
from rigwarp.live.operate.osc import MalformedPacket, Message, build_message, parse_packet
from rigwarp.live.run.statistics import Counts
from rigwarp.live.worker import Worker
from rigwarp.talk.commands import MOST_WAITING, Command, Inlet, MalformedCommand, checked_values

log = logging.getLogger(__name__)
PREFIX = "/rigwarp/"
_PACKET_BYTES = 65536
_LARGE_BYTES = 16384
"""Packets of more come one by one, not ten in a millisecond: a polygon with every corner allowed takes 11 kB."""
_SOCKET_BYTES, _MOST_BYTES = 1 << 22, 1 << 20
"""Room for bursts, as far as the system grants it, and for packets that are not understood yet."""
_PACKET_COST_BYTES = 64
"""What a packet takes beside its contents."""
_REST_SHARE, _BUSY_S = 3.0, 0.001
"""After this long at work, a thread rests for so many times as long: a flood must leave time for the frame loop."""


class Remote(Inlet):
    """Listens for commands until closed.

    Parameters
    ----------
    port : UDP port; 0 takes any free one, see `port`.
    host : where to listen; by default only this machine itself is heard.
    counts : where packets are counted.

    Raises
    ------
    DeviceError
        When the port cannot be had.
    """

    def __init__(self, port: int, *, host: str = LOCAL, counts: Counts | None = None) -> None:
        super().__init__()
        self._counts = counts or Counts()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.bind((host, port))
        except (OSError, OverflowError) as error:
            self._socket.close()
            raise DeviceError(f"cannot listen on {host}:{port} ({error}); choose another port with --remote") from error
        self.port: int = self._socket.getsockname()[1]
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _SOCKET_BYTES)
        self._socket.settimeout(0.2)
        self._packets: deque[tuple[bytes, tuple[str, int]]] = deque()
        self._waiting_bytes = 0
        self._lock, self._came, self._ended = threading.Lock(), threading.Event(), threading.Event()
        self._answers = Worker("rigwarp-remote-answer")
        self._threads = [
            threading.Thread(target=work, name=f"rigwarp-remote-{work.__name__}", daemon=True)
            for work in (self._listen, self._understand)
        ]
        for thread in self._threads:
            thread.start()

    def answer(self, sender: tuple[str, int], text: str) -> None:
        """Send a status; nobody waits for the network."""
        if self._answers.waiting < MOST_WAITING:
            self._answers.submit(partial(self._send, sender, text))

    def _send(self, sender: tuple[str, int], text: str) -> None:
        try:
            self._socket.sendto(build_message(Message(address=PREFIX + "status", values=(text,))), sender)
        except OSError as error:
            log.warning("status could not be sent to %s: %s", sender, error)

    def close(self) -> None:
        """Stop listening."""
        self._answers.close(within_s=1.0)
        self._ended.set()
        self._came.set()
        for thread in self._threads:
            thread.join(timeout=2.0)
        self._socket.close()

    def _listen(self) -> None:
        """Nothing but taking packets off the socket, whose room is small: a burst would lose some."""
        room = memoryview(bytearray(_PACKET_BYTES))  # one for all: memory of 64 kB taken and given back holds up others
        while not self._ended.is_set():
            try:
                size, sender = self._socket.recvfrom_into(room)
            except TimeoutError:
                continue
            except OSError:
                if self._ended.is_set():
                    return
                continue  # an earlier answer could not be delivered; some systems report it here
            if self._waiting_bytes > _MOST_BYTES:
                self._counts.overrun += 1
                time.sleep(_BUSY_S)  # what the socket cannot hold meanwhile the system drops
                continue
            data = bytes(room[:size])
            with self._lock:
                self._waiting_bytes += len(data) + _PACKET_COST_BYTES
            self._packets.append((data, sender))
            self._came.set()
            if size > _LARGE_BYTES:
                time.sleep(_BUSY_S)

    def _understand(self) -> None:
        while True:
            self._came.wait()
            self._came.clear()
            began = time.monotonic()
            while self._packets:
                data, sender = self._packets.popleft()
                with self._lock:
                    self._waiting_bytes -= len(data) + _PACKET_COST_BYTES
                try:
                    for command in [command_of(message, sender) for message in parse_packet(data)]:
                        self.keep(command)
                except MalformedPacket as error:
                    self._counts.malformed += 1
                    if self._counts.malformed in (1, 10, 100, 1000):
                        log.warning("%d malformed packets so far; the last: %s", self._counts.malformed, error)
                self._counts.packets += 1
                busy_s = time.monotonic() - began
                if busy_s > _BUSY_S:
                    time.sleep(_REST_SHARE * busy_s)
                    began = time.monotonic()
            if self._ended.is_set():
                return


def command_of(message: Message, sender: tuple[str, int]) -> Command:
    """The command in a message.

    Raises
    ------
    MalformedPacket
        When there is no such command, or its values are of another kind.
    """
    if not message.address.startswith(PREFIX):
        raise MalformedPacket(f"no such address: {message.address[:60]!r}")
    name = message.address.removeprefix(PREFIX)
    try:
        return Command(name=name, values=checked_values(name, message.values), sender=sender)
    except MalformedCommand as error:
        raise MalformedPacket(str(error)) from None
