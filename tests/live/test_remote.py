"""OSC: the specification's own examples, hostile packets, and the whole way over the loopback."""

import json
import random
import socket
import struct
import time

import pytest

from rigwarp.errors import DeviceError
from rigwarp.live.operate.osc import MalformedPacket, Message, build_message, parse_packet
from rigwarp.live.operate.remote import Command, Remote, command_of
from rigwarp.live.run.statistics import Counts

# The two examples of The Open Sound Control 1.0 Specification (2002), byte for byte.
OSCILLATOR = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e637900 2c660000 43dc0000".replace(" ", ""))
FOO = bytes.fromhex(
    "2f666f6f00000000 2c69697366660000 000003e8 ffffffff 68656c6c6f000000 3f9df3b6 40b5b22d".replace(" ", "")
)


def test_the_specifications_examples():
    assert parse_packet(OSCILLATOR) == [Message(address="/oscillator/4/frequency", values=(440.0,))]
    (foo,) = parse_packet(FOO)
    assert foo.address == "/foo"
    assert foo.values[:3] == (1000, -1, "hello")
    assert foo.values[3:] == pytest.approx((1.234, 5.678))
    assert build_message(foo) == FOO


def test_bundles_and_the_other_types():
    inner = build_message(Message(address="/a", values=(True, False, 5)))
    blob = b"/b\0\0,bN\0\0\0\0\x05helloxxx"
    bundle = b"#bundle\0" + bytes(8) + b"".join(len(m).to_bytes(4, "big") + m for m in (inner, blob))
    nested = b"#bundle\0" + bytes(8) + len(bundle).to_bytes(4, "big") + bundle
    assert [m.values for m in parse_packet(nested)] == [(True, False, 5), (b"hello", None)]


def test_fuzzed_packets_bring_only_malformed():
    dice = random.Random(4)
    seeds = [OSCILLATOR, FOO, b"#bundle\0" + bytes(8) + len(FOO).to_bytes(4, "big") + FOO]
    malformed = 0
    for _ in range(4000):
        data = bytearray(dice.choice(seeds))
        for _ in range(dice.randint(1, 5)):
            data[dice.randrange(len(data))] = dice.choice([0, 255, 44, 47, 98, 127, dice.randrange(256)])
        packet = bytes(data[: dice.randint(0, len(data))]) if dice.random() < 0.3 else bytes(data)
        try:
            for message in parse_packet(packet):
                command_of(message, ("127.0.0.1", 1))
        except MalformedPacket:
            malformed += 1
    assert malformed > 3000


@pytest.mark.parametrize(
    "message", [b"/a\0\0,x\0\0", b"/a\0\0,f\0\0", b"/a\0\0,s\0\0\xff\xfe\0\0", b"/a\0\0f\0\0\0", b"a\0\0\0"]
)
def test_messages_that_cannot_be_read_are_malformed(message):
    with pytest.raises(MalformedPacket):
        parse_packet(message)


def test_bundles_that_would_never_end_are_malformed():
    """An element of size -4 leads back to itself; three thousand bundles in bundles fit into one datagram."""
    head = b"#bundle\0" + bytes(8)
    nested = head
    for _ in range(3000):
        nested = head + struct.pack(">i", len(nested)) + nested
    for hostile in (head + struct.pack(">i", -4), nested, head + bytes(4) * 1000):
        with pytest.raises(MalformedPacket):
            parse_packet(hostile)


@pytest.mark.parametrize(
    ("address", "values"),
    [
        ("/rigwarp/turn", ("left",)),
        ("/rigwarp/turn", ()),
        ("/rigwarp/turn", (float("nan"),)),
        ("/rigwarp/show", (3,)),
        ("/rigwarp/show", ("",)),
        ("/rigwarp/nothing", ()),
        ("/other/turn", (1.0,)),
        ("turn", (1.0,)),
    ],
)
def test_wrong_commands_are_malformed(address, values):
    with pytest.raises(MalformedPacket):
        command_of(Message(address=address, values=values), ("127.0.0.1", 1))


def test_over_the_loopback():
    counts = Counts()
    remote = Remote(0, counts=counts)
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.settimeout(5.0)
            target = ("127.0.0.1", remote.port)
            for degrees in (1, 2.5, 3):
                sender.sendto(build_message(Message(address="/rigwarp/turn", values=(degrees,))), target)
            sender.sendto(b"junk", target)
            sender.sendto(b"", target)
            sender.sendto(build_message(Message(address="/rigwarp/go", values=(1,))), target)  # a button's own value
            deadline = time.monotonic() + 5.0
            while counts.packets < 6 and time.monotonic() < deadline:
                time.sleep(0.01)
            got = remote.commands()
            assert [(c.name, c.values) for c in got] == [("turn", (3.0,)), ("go", ())]  # only the newest turn
            assert counts.malformed == 2
            remote.answer(got[0].sender, json.dumps({"time_s": 1.5}))
            (answer,) = parse_packet(sender.recv(4096))
            assert answer.address == "/rigwarp/status"
            assert json.loads(answer.values[0]) == {"time_s": 1.5}
        with pytest.raises(DeviceError, match="--remote"):
            Remote(remote.port)
    finally:
        remote.close()


def test_a_fader_pushes_nothing_else_out():
    """One bundle of a thousand messages, a source in the middle of it: all that counts comes through, in order."""
    shifts = [Message(address="/rigwarp/shift", values=(float(n), 0.0)) for n in range(999)]
    messages = [
        build_message(m) for m in (*shifts[:500], Message(address="/rigwarp/show", values=("a",)), *shifts[500:])
    ]
    counts = Counts()
    remote = Remote(0, counts=counts)
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            bundle = b"#bundle\0" + bytes(8) + b"".join(struct.pack(">i", len(m)) + m for m in messages)
            sender.sendto(bundle, ("127.0.0.1", remote.port))
            deadline = time.monotonic() + 5.0
            while counts.packets < 1 and time.monotonic() < deadline:
                time.sleep(0.01)
        assert [(c.name, c.values) for c in remote.commands()] == [("show", ("a",)), ("shift", (998.0, 0.0))]
        assert not remote.wants_something
    finally:
        remote.close()


def test_commands_are_plain_data():
    assert command_of(Message(address="/rigwarp/shift", values=(1, 2.5)), ("h", 1)) == Command(
        name="shift", values=(1.0, 2.5), sender=("h", 1)
    )
