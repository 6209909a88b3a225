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
    undo / redo / reset  steps of the correction
    status               answered to the sender by /rigwarp/status with one JSON text

Anything else, and anything malformed, is ignored and counted.
"""

import logging
import math
import socket
import threading
from collections import deque
from dataclasses import dataclass

from rigwarp.errors import DeviceError
from rigwarp.live.osc import MalformedPacket, Message, Value, build_message, parse_packet
from rigwarp.live.statistics import Counts

log = logging.getLogger(__name__)
PREFIX = "/rigwarp/"
LOCAL = "127.0.0.1"
_MOST_WAITING = 256
_PACKET_BYTES = 65536
_TAKES: dict[str, tuple[str, ...]] = {
    "show": ("text",),
    "go": (),
    "hold": (),
    "seek": ("number",),
    "dark": ("number",),
    "brightness": ("number",),
    "black": ("number",),
    "shift": ("number", "number"),
    "turn": ("number",),
    "scale": ("number",),
    "undo": (),
    "redo": (),
    "reset": (),
    "status": (),
}
_LATEST_COUNTS = {"seek", "brightness", "black", "shift", "turn", "scale", "dark"}
"""Of several in one frame only the newest is carried out: a fader sends hundreds a second."""


@dataclass(frozen=True, kw_only=True)
class Command:
    """A command with checked values: numbers are finite floats, texts are str."""

    name: str
    values: tuple[float | str, ...]
    sender: tuple[str, int]


class Remote:
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
        self._counts = counts or Counts()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.bind((host, port))
        except (OSError, OverflowError) as error:
            self._socket.close()
            raise DeviceError(f"cannot listen on {host}:{port} ({error}); choose another port with --remote") from error
        self.port: int = self._socket.getsockname()[1]
        self._socket.settimeout(0.2)
        self._waiting: deque[Command] = deque(maxlen=_MOST_WAITING)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="rigwarp-remote", daemon=True)
        self._thread.start()

    def commands(self) -> list[Command]:
        """What has come since the last call, each repeated setting only once, with its newest value."""
        found: list[Command] = []
        while self._waiting:
            found.append(self._waiting.popleft())
        newest = {command.name: command for command in found}
        return [c for c in found if c.name not in _LATEST_COUNTS or newest[c.name] is c]

    @property
    def wants_something(self) -> bool:
        """True when a command waits that changes something."""
        return any(command.name != "status" for command in tuple(self._waiting))

    def answer(self, sender: tuple[str, int], text: str) -> None:
        """Send a status."""
        try:
            self._socket.sendto(build_message(Message(address=PREFIX + "status", values=(text,))), sender)
        except OSError as error:
            log.warning("status could not be sent to %s: %s", sender, error)

    def close(self) -> None:
        """Stop listening."""
        self._ended.set()
        self._thread.join(timeout=2.0)
        self._socket.close()

    def _listen(self) -> None:
        while not self._ended.is_set():
            try:
                data, sender = self._socket.recvfrom(_PACKET_BYTES)
            except TimeoutError:
                continue
            except OSError:
                if self._ended.is_set():
                    return
                continue  # an earlier answer could not be delivered; some systems report it here
            self._counts.packets += 1
            try:
                self._waiting.extend(command_of(message, sender) for message in parse_packet(data))
            except MalformedPacket as error:
                self._counts.malformed += 1
                if self._counts.malformed in (1, 10, 100, 1000):
                    log.warning("%d malformed packets so far; the last: %s", self._counts.malformed, error)


def command_of(message: Message, sender: tuple[str, int]) -> Command:
    """The command in a message.

    Raises
    ------
    MalformedPacket
        When there is no such command, or its values are of another kind.
    """
    name = message.address.removeprefix(PREFIX)
    takes = _TAKES.get(name) if message.address.startswith(PREFIX) else None
    if takes is None:
        raise MalformedPacket(f"no such address: {message.address[:60]!r}")
    # a button without a value of its own often sends 1
    values = message.values if takes else ()
    if len(values) != len(takes):
        raise MalformedPacket(f"{name}: {len(values)} values, expected {len(takes)}")
    return Command(name=name, values=tuple(map(_checked, takes, values)), sender=sender)


def _checked(kind: str, value: Value) -> float | str:
    if kind == "text":
        if isinstance(value, str) and value:
            return value
    elif isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    raise MalformedPacket(f"found {str(value)[:40]!r}, expected a {kind}")
