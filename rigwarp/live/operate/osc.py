"""Open Sound Control 1.0 messages: bytes to addresses and values, and back.

python-osc reads and writes messages. Bundles are taken apart here: an element of size -4 keeps python-osc 1.10.2 busy
for ever, and bundles in bundles end its stack. It also passes over types that it does not know and takes a number that
is cut off for 0, so both are refused before.
"""

import struct
from dataclasses import dataclass

from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import BuildError, OscMessageBuilder

from rigwarp.talk.commands import Value

_BUNDLE = b"#bundle\0"
_BUNDLE_HEAD = 16  # the name, and a time tag
_DEEPEST = 8
_LEAST_BYTES = {**dict.fromkeys(b"ifsb", 4), **dict.fromkeys(b"hdt", 8), **dict.fromkeys(b",TFN", 0)}
"""Of a value, by the letter of its type."""


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
    if depth >= _DEEPEST or len(data) < _BUNDLE_HEAD:
        raise MalformedPacket("a bundle that is cut off or nested too deeply")
    messages: list[Message] = []
    at = _BUNDLE_HEAD
    while at < len(data):
        (size,) = struct.unpack_from(">i", data, at)
        if size <= 0 or at + 4 + size > len(data):
            raise MalformedPacket(f"a bundle element of {size} bytes")
        messages += parse_packet(data[at + 4 : at + 4 + size], depth=depth + 1)
        at += 4 + size
    return messages


def _message(data: bytes) -> Message:
    values = _after_text(data)
    types = values.split(b"\0", 1)[0]
    if not data.startswith(b"/") or not set(types) <= _LEAST_BYTES.keys():
        raise MalformedPacket("an address without its slash, or a value of an unknown type")
    if types and len(_after_text(values)) < sum(_LEAST_BYTES[letter] for letter in types):
        raise MalformedPacket("a value that is cut off")
    try:
        found = OscMessage(data)
    except (ParseError, ValueError) as error:  # ValueError: a text that is not UTF-8
        raise MalformedPacket(str(error)) from error
    return Message(address=found.address, values=tuple(found.params))


def _after_text(data: bytes) -> bytes:
    """What follows a text and the zeros that fill it up to a multiple of four bytes."""
    return data[len(data.split(b"\0", 1)[0]) // 4 * 4 + 4 :]


def build_message(message: Message) -> bytes:
    """The bytes of a message; whole numbers as i, other numbers as f, texts as s.

    Raises
    ------
    ValueError
        For values of another kind.
    """
    builder = OscMessageBuilder(message.address)
    try:
        for value in message.values:
            builder.add_arg(value)
        return bytes(builder.build().dgram)
    except BuildError as error:
        raise ValueError(str(error)) from error
