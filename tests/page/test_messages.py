"""What a browser may say: the parser takes that and nothing else, whatever comes.

RIGWARP_FUZZ_MESSAGES=100000 makes the random part long.
"""

import contextlib
import json
import os
import random
import string

import pytest

from rigwarp.page.guard import MESSAGE_BYTES
from rigwarp.page.messages import NoMessage, Said, parse_message
from rigwarp.talk.commands import TAKES, MalformedCommand, checked_values

GOOD = [
    {"key": "abc"},
    {"do": "dark", "values": [1], "number": 3},
    {"do": "shift", "values": [1.5, -2], "revision": 4, "number": 5},
    {"do": "mask", "values": [0, 0, 10, 0, 10, 10], "revision": 0, "number": 1},
    {"do": "undo", "revision": 9, "number": 2},
    {"job": "calibrate", "number": 1},
    {"use": "20261129T101112Z", "number": 1},
    {"open": "20261129T101112Z-2", "what": "report", "number": 8},
    {"pictures": False},
]
BAD = [
    "", "null", "[]", "7", '"do"', "{", "{}", '{"do":1}', '{"do":"explode"}', '{"do":"status"}',
    '{"do":"dark","key":"x"}',
    '{"do":"dark","values":1}', '{"do":"dark","values":[true]}', '{"do":"dark","values":[null]}',
    '{"do":"dark","values":[[1]]}', '{"do":"dark","values":[NaN]}', '{"do":"dark","values":[Infinity]}',
    '{"do":"dark","values":[1e999]}', '{"do":"dark","number":-1}', '{"do":"dark","number":1.5}',
    '{"do":"dark","revision":"1"}', '{"do":"dark","more":1}', '{"job":"rm"}', '{"use":"../../etc"}',
    '{"use":"20261129T101112Z/.."}', '{"use":"20261129T101112Z\\u0000"}', '{"open":"20261129T101112Z"}',
    '{"open":"20261129T101112Z","what":"/etc/passwd"}', '{"open":"20261129T101112Z","what":"page.key"}',
    '{"pictures":1}', '{"key":""}', '{"key":7}', "[" * 50000, '{"do":"mask","values":[' + "1," * 500 + "1]}",
    '{"key":"' + "x" * 500 + '"}', "x" * (MESSAGE_BYTES + 1), "\ud800", '{"do":"dark","number":' + "9" * 5000 + "}",
]  # fmt: skip


@pytest.mark.parametrize("message", GOOD, ids=lambda message: next(iter(message)))
def test_what_the_page_says_is_understood(message: dict[str, object]) -> None:
    said = parse_message(json.dumps(message))
    assert said.kind == next(iter(message))
    assert said.number == message.get("number", 0)


@pytest.mark.parametrize("text", BAD, ids=range(len(BAD)))
def test_nothing_else_is(text: str) -> None:
    with pytest.raises(NoMessage):
        parse_message(text)


def test_bytes_are_no_message() -> None:
    with pytest.raises(NoMessage):
        parse_message(b'{"key":"abc"}')


def test_whatever_comes_is_a_message_or_none() -> None:
    """Good messages spoiled by one to four edits: never another exception, never a value of another kind."""
    rounds = int(os.environ.get("RIGWARP_FUZZ_MESSAGES", "4000"))
    draw = random.Random(18)
    pieces = [
        *string.printable,
        "\\u0000",
        "\ud800",
        "null",
        "true",
        "1e400",
        "NaN",
        "{}",
        "[]",
        '"',
        "-",
        "💡",
        "9" * 30,
    ]
    understood = 0
    for _ in range(rounds):
        text = json.dumps(draw.choice(GOOD))
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(text) + 1)
            text = text[:at] + draw.choice(pieces) + text[at + draw.randint(0, 3) :]
        try:
            said = parse_message(text)
        except NoMessage:
            continue
        understood += 1
        check(said)
    assert 0 < understood < rounds


def check(said: Said) -> None:
    assert isinstance(said.what, str)
    assert all(isinstance(one, str) or abs(one) < 1e12 for one in said.values)
    assert isinstance(said.number, int)
    if said.kind == "do":
        assert said.what in TAKES
        with contextlib.suppress(MalformedCommand):
            checked_values(said.what, said.values)
    if said.kind in ("use", "open"):
        assert not set(said.what) & set("/\\.\0")
