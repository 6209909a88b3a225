"""Two processes' pipes: messages and the bytes behind them arrive whole and in order; what is no message ends it."""

import io
import os
import threading
from typing import Any

import pytest

from rigwarp.talk.pipes import Talk, packed, read_message


def test_frames_and_messages_arrive_whole_and_in_order() -> None:
    (from_here, to_there), (from_there, to_here) = os.pipe(), os.pipe()
    heard: list[tuple[dict[str, Any], bytes]] = []
    ended = threading.Event()
    there = Talk(
        os.fdopen(from_here, "rb"),
        os.fdopen(to_here, "wb"),
        heard=lambda message, data: heard.append((message, data)),
        ended=ended.set,
    )
    here = Talk(os.fdopen(from_there, "rb"), os.fdopen(to_there, "wb"), heard=lambda *_: None, ended=lambda: None)
    frame = bytes(range(256)) * 25_000  # 6.4 MB, as a frame has
    sent = [({"state": {"dark": False}}, b""), ({"frame": 1, "shape": [2, 3]}, frame), ({"release": True}, b"")]
    for message, data in sent:
        assert here.say(message, data)
    here.finish()
    here._target.close()
    assert ended.wait(20.0)
    assert heard == sent
    there.finish()
    there._target.close()
    for talk in (here, there):
        talk._reader.join(20.0)
        talk._source.close()


@pytest.mark.parametrize("line", [b"[]\n", b'{"bytes":-1}\n', b'{"bytes":true}\n', b'{"bytes":1e9}\n', b"nonsense\n"])
def test_what_is_no_message_is_refused(line: bytes) -> None:
    with pytest.raises(ValueError, match=r"found|Expecting"):
        read_message(io.BytesIO(line))


def test_half_a_message_is_an_end() -> None:
    whole = packed({"frame": 1}, b"0123456789")
    assert read_message(io.BytesIO(whole)) == ({"frame": 1}, b"0123456789")
    assert read_message(io.BytesIO(whole[:-1])) is None
    assert read_message(io.BytesIO(whole[:5])) is None
