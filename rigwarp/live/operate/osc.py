"""Open Sound Control 1.0 messages: bytes to addresses and values, and back.

After the specification (Wright, The Open Sound Control 1.0 Specification, 2002): strings end in zeros up to a multiple
of four bytes, numbers are big-endian, a bundle holds messages and bundles.
"""

import struct
from dataclasses import dataclass

Value = int | float | str | bytes | bool | None
_BUNDLE = b"#bundle\0"
_DEEPEST = 8
_FIXED = {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q"}
_PLAIN: dict[str, Value] = {"T": True, "F": False, "N": None, "I": float("inf")}


class MalformedPacket(ValueError):
    """Bytes that are no OSC packet."""


@dataclass(frozen=True, kw_only=True)
class Message:
    """One message: an address such as /rigwarp/turn, and its values."""

    address: str
    values: tuple[Value, ...] = ()


def parse_packet(data: bytes, *, depth: int = 0) -> list[Message]:
    """All messages of a packet, in order; time tags of bundles are ignored.

    Raises
    ------
    MalformedPacket
        When the bytes are anything else.
    """
    if len(data) % 4 or not data:
        raise MalformedPacket(f"a packet of {len(data)} bytes, expected a multiple of four")
    if not data.startswith(_BUNDLE):
        return [_message(data)]
    if depth >= _DEEPEST or len(data) < 16:
        raise MalformedPacket("a bundle that is cut off or nested too deeply")
    messages: list[Message] = []
    at = 16
    while at < len(data):
        if at + 4 > len(data):
            raise MalformedPacket("a bundle that is cut off")
        (size,) = struct.unpack_from(">i", data, at)
        if size <= 0 or at + 4 + size > len(data):
            raise MalformedPacket(f"a bundle element of {size} bytes")
        messages += parse_packet(data[at + 4 : at + 4 + size], depth=depth + 1)
        at += 4 + size
    return messages


def _message(data: bytes) -> Message:
    address, at = _string(data, 0)
    if not address.startswith("/"):
        raise MalformedPacket("an address that does not begin with a slash")
    if at == len(data):
        return Message(address=address)  # older senders leave the types out when there is no value
    types, at = _string(data, at)
    if not types.startswith(","):
        raise MalformedPacket("types that do not begin with a comma")
    values: list[Value] = []
    for letter in types[1:]:
        value, at = _value(letter, data, at)
        values.append(value)
    if at != len(data):
        raise MalformedPacket("bytes after the last value")
    return Message(address=address, values=tuple(values))


def _value(letter: str, data: bytes, at: int) -> tuple[Value, int]:
    if letter in _PLAIN:
        return _PLAIN[letter], at
    if letter in ("s", "S"):
        return _string(data, at)
    if letter == "b":
        if at + 4 > len(data):
            raise MalformedPacket("a blob that is cut off")
        (size,) = struct.unpack_from(">i", data, at)
        end = at + 4 + size
        if size < 0 or end > len(data):
            raise MalformedPacket("a blob that is cut off")
        return data[at + 4 : end], end + -end % 4
    form = _FIXED.get(letter)
    if form is None:
        raise MalformedPacket(f"a value of type {letter!r}")
    size = struct.calcsize(form)
    if at + size > len(data):
        raise MalformedPacket("a value that is cut off")
    number: Value = struct.unpack_from(form, data, at)[0]
    return number, at + size


def _string(data: bytes, at: int) -> tuple[str, int]:
    end = data.find(b"\0", at)
    if end < 0:
        raise MalformedPacket("a text without an end")
    try:
        text = data[at:end].decode("utf-8")
    except UnicodeDecodeError as error:
        raise MalformedPacket("a text that is not UTF-8") from error
    return text, end + 4 - end % 4


def build_message(message: Message) -> bytes:
    """The bytes of a message; whole numbers as i, other numbers as f, texts as s."""
    types, body = ",", b""
    for value in message.values:
        if isinstance(value, bool):
            types += "T" if value else "F"
        elif isinstance(value, int):
            types, body = types + "i", body + struct.pack(">i", value)
        elif isinstance(value, float):
            types, body = types + "f", body + struct.pack(">f", value)
        elif isinstance(value, str):
            types, body = types + "s", body + _padded(value.encode())
        else:
            raise ValueError(f"cannot send {type(value).__name__}")
    return _padded(message.address.encode()) + _padded(types.encode()) + body


def _padded(data: bytes) -> bytes:
    return data + b"\0" * (4 - len(data) % 4)
