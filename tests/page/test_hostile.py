"""Hostile requests at a real server on the loopback: each is refused, nothing is told, and the page lives on.

RIGWARP_HOSTILE_REQUESTS=100000 sends so many of them and looks at the memory.
"""

import asyncio
import base64
import contextlib
import json
import os
import socket
import time

import pytest
from page_player import TalkingPlayer, browser_socket, left, until, with_its_keys

from rigwarp.page.guard import MOST_FROM_ONE, MOST_WAITING

HANDSHAKE = "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n"
KEY = base64.b64encode(b"0123456789abcdef").decode()
UPGRADE = HANDSHAKE.format(key=KEY)
OURS = "Host: {here}\r\n"

REQUESTS = {
    "no host": ("GET / HTTP/1.1\r\n\r\n", 4),
    "another host": ("GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421),
    "a host made to lead here": ("GET /metrics HTTP/1.1\r\nHost: evil.example:{port}\r\n\r\n", 421),
    "two hosts": ("GET / HTTP/1.1\r\nHost: {here}\r\nHost: evil.example\r\n\r\n", 4),
    "another port": ("GET / HTTP/1.1\r\nHost: 127.0.0.1:1\r\n\r\n", 421),
    "no port": ("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", 421),
    "an address in the line": ("GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n", 421),
    "forwarded": ("GET / HTTP/1.1\r\nHost: evil.example\r\nX-Forwarded-Host: {here}\r\n\r\n", 421),
    "another origin": ("GET / HTTP/1.1\r\n" + OURS + "Origin: http://evil.example\r\n\r\n", 403),
    "no origin in particular": ("GET / HTTP/1.1\r\n" + OURS + "Origin: null\r\n\r\n", 403),
    "a post": ("POST / HTTP/1.1\r\n" + OURS + "Content-Length: 2\r\n\r\nhi", 405),
    "a put": ("PUT /page.key HTTP/1.1\r\n" + OURS + "Content-Length: 2\r\n\r\nhi", 405),
    "a delete": ("DELETE / HTTP/1.1\r\n" + OURS + "\r\n", 405),
    "a trace": ("TRACE / HTTP/1.1\r\n" + OURS + "\r\n", 405),
    "options": ("OPTIONS /link HTTP/1.1\r\n" + OURS + "Access-Control-Request-Method: GET\r\n\r\n", 405),
    "an own method": ("BREW / HTTP/1.1\r\n" + OURS + "\r\n", 405),
    "a tunnel": ("CONNECT evil.example:443 HTTP/1.1\r\n" + OURS + "\r\n", 4),
    "a large body": ("POST / HTTP/1.1\r\n" + OURS + "Content-Length: 9000000\r\n\r\n", 4),
    "a body of negative length": ("POST / HTTP/1.1\r\n" + OURS + "Content-Length: -1\r\n\r\n", 4),
    "two lengths": ("POST / HTTP/1.1\r\n" + OURS + "Content-Length: 2\r\nContent-Length: 9\r\n\r\nhi", 4),
    "length and chunks": (
        "POST / HTTP/1.1\r\n" + OURS + "Content-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", 4,
    ),
    "large headers": ("GET / HTTP/1.1\r\n" + OURS + "X: " + "x" * 40000 + "\r\n\r\n", 4),
    "many headers": ("GET / HTTP/1.1\r\n" + OURS + "X: y\r\n" * 5000 + "\r\n", 4),
    "a long address": ("GET /" + "a" * 30000 + " HTTP/1.1\r\n" + OURS + "\r\n", 4),
    "a path upwards": ("GET /static/../../page.key HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a path upwards, coded": ("GET /static/%2e%2e/%2e%2e/page.key HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a path upwards, coded twice": ("GET /static/%252e%252e/page.key HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a path with backslashes": ("GET /static/..\\..\\page.key HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a whole path": ("GET //etc/passwd HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a path with a zero": ("GET /static/page.js%00.html HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "the key's file": ("GET /page.key HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a document without a ticket": ("GET /document/AAAAAAAAAAAAAAAAAAAAAA HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "a module": ("GET /static/__init__.py HTTP/1.1\r\n" + OURS + "\r\n", 404),
    "the state without a key": ("GET /state HTTP/1.1\r\n" + OURS + "\r\n", 401),
    "the state with a cookie": ("GET /state HTTP/1.1\r\n" + OURS + "Cookie: key=x\r\n\r\n", 401),
    "the state, key in the address": ("GET /state?k={key} HTTP/1.1\r\n" + OURS + "\r\n", 401),
    "a socket from elsewhere": (
        "GET /link HTTP/1.1\r\n" + OURS + "Origin: http://evil.example\r\n" + UPGRADE + "\r\n", 403,
    ),
    "a socket of a rebound page": (
        "GET /link HTTP/1.1\r\nHost: evil.example:{port}\r\nOrigin: http://evil.example:{port}\r\n"
        "Sec-Fetch-Site: same-origin\r\n" + UPGRADE + "\r\n", 421,
    ),
    "a socket without an origin": ("GET /link HTTP/1.1\r\n" + OURS + UPGRADE + "\r\n", 403),
    "a socket from a file": ("GET /link HTTP/1.1\r\n" + OURS + "Origin: file://\r\n" + UPGRADE + "\r\n", 403),
    "a socket by an older name": (
        "GET /link HTTP/1.1\r\n" + OURS + "Sec-Websocket-Origin: http://evil.example\r\n" + UPGRADE + "\r\n", 403,
    ),
    "half a handshake": ("GET /link HTTP/1.1\r\n" + OURS + "Origin: http://{here}\r\n\r\n", 4),
    "no HTTP": ("hello\r\n\r\n", 4),
    "a line feed in a header": ("GET / HTTP/1.1\r\n" + OURS + "X: a\n b\r\nHost : evil\r\n\r\n", 4),
    "an encrypted hello": ("\x16\x03\x01\x02\x00\x01\r\n\r\n", 4),
}  # fmt: skip


def filled(player: TalkingPlayer, text: str) -> str:
    """With this page's address and key."""
    text = text.replace("{here}", f"127.0.0.1:{player.port}").replace("{port}", str(player.port))
    return text.replace("{key}", player.keys["operate"])


def answer(player: TalkingPlayer, text: str, *, seconds: float = 5.0) -> bytes:
    """What the server sends back until it closes or falls silent."""
    found = b""
    with socket.create_connection(("127.0.0.1", player.port), timeout=seconds) as raw:
        raw.sendall(filled(player, text).encode("latin-1"))
        try:
            while b"\r\n\r\n" not in found and (part := raw.recv(65536)):
                found += part
        except (TimeoutError, ConnectionResetError):
            pass
    return found


def code_of(found: bytes) -> int:
    """Its status; 0 where the connection was closed without one."""
    return int(found.split(b" ", 2)[1]) if found.startswith(b"HTTP/1.1 ") else 0


@pytest.mark.parametrize("name", REQUESTS)
def test_a_hostile_request_is_refused_and_told_nothing(player: TalkingPlayer, name: str) -> None:
    text, wanted = REQUESTS[name]
    found = answer(player, text)
    code = code_of(found)
    assert code == wanted if wanted > 99 else code == 0 or 400 <= code < 500
    for secret in (player.keys["operate"], player.keys["view"], str(player.root), "Traceback"):
        assert secret.encode() not in found
    assert b"tornado" not in found.lower()


def test_there_are_forty_of_them() -> None:
    assert len(REQUESTS) >= 40


def test_every_answer_of_ours_carries_the_policy(player: TalkingPlayer) -> None:
    for path in ("/", "/static/page.js", "/healthz", "/nothing"):
        head = answer(player, f"GET {path} HTTP/1.1\r\n" + OURS + "Connection: close\r\n\r\n").decode().lower()
        assert "content-security-policy: default-src 'none'; script-src 'self'" in head
        assert "frame-ancestors 'none'" in head
        assert "unsafe" not in head
        for line in ("x-content-type-options: nosniff", "referrer-policy: no-referrer", "cache-control: no-store"):
            assert line in head
        assert "access-control" not in head
        assert "set-cookie" not in head


def test_a_program_of_ones_own_shows_its_key(player: TalkingPlayer) -> None:
    for key, wanted in ((player.keys["view"], 200), ("wrong", 401)):
        found = answer(player, "GET /state HTTP/1.1\r\n" + OURS + f"Authorization: Bearer {key}\r\n\r\n")
        assert code_of(found) == wanted


SOCKET = "GET /link HTTP/1.1\r\n" + OURS + "Origin: http://{here}\r\n" + UPGRADE + "\r\n"


def masked(message: object) -> bytes:
    """A short frame of a browser's, masked by zeros, as it has to be masked (RFC 6455)."""
    text = json.dumps(message).encode()
    return bytes([0x81, 0x80 | len(text), 0, 0, 0, 0]) + text


def closed_with(
    player: TalkingPlayer, *messages: str | bytes, key: str | None = None, wait: bool = True
) -> tuple[int, str]:
    """How the server closes a socket that sends these."""

    async def talk() -> tuple[int, str]:
        connection = await browser_socket(player, key)
        for message in messages:
            await connection.write_message(message, binary=isinstance(message, bytes))
        while await asyncio.wait_for(connection.read_message(), 10.0) is not None:
            pass
        connection.close()
        return connection.close_code, connection.close_reason

    return asyncio.run(talk())


def test_what_is_no_message_ends_the_socket(player: TalkingPlayer) -> None:
    key = player.keys["operate"]
    assert closed_with(player, '{"do":"dark","values":[1],"number":1}') == (1008, "key")  # before any key
    assert closed_with(player, "nonsense", key=key) == (1008, "message")
    assert closed_with(player, b"\0\1", key=key) == (1008, "message")
    assert closed_with(player, '{"key":"again"}', key=key) == (1008, "key")
    assert closed_with(player, "x" * 70000, key=key)[0] in (1006, 1009, None)
    assert closed_with(player, *['{"pictures":true}'] * 80, key=key) == (1008, "rate")
    assert player.process.poll() is None


def test_the_viewing_key_changes_nothing_and_no_path_comes_from_the_page(player: TalkingPlayer) -> None:
    async def talk() -> None:
        looks = await browser_socket(player, player.keys["view"])
        assert (await until(looks, "hello"))["hello"]["role"] == "view"
        before = len(player.asked)
        for number, message in enumerate(
            [{"do": "dark", "values": [1]}, {"job": "calibrate"}, {"use": "20261129T101112Z"}], 1
        ):
            await looks.write_message(json.dumps({**message, "number": number}))
            assert (await until(looks, "done"))["refused"] == "viewing"
        assert [one for one in player.asked[before:] if one["do"] == "dark"] == []
        await left(looks)

    asyncio.run(talk())


def test_not_more_than_eight_at_once(player: TalkingPlayer) -> None:
    async def talk() -> None:
        inside = [await browser_socket(player, player.keys["view"]) for _ in range(8)]
        for one in inside:
            await until(one, "hello")
        late = await browser_socket(player, player.keys["view"])
        with pytest.raises(EOFError, match="1013"):
            await until(late, "hello")
        await left(*inside)

    asyncio.run(talk())


def test_wrong_keys_are_tried_five_times(page_rig) -> None:
    player = TalkingPlayer(page_rig)
    try:
        assert [closed_with(player, key=f"wrong-{number:022}") for number in range(5)] == [(1008, "key")] * 5
        with pytest.raises(Exception, match="429"):
            closed_with(player, key=player.keys["operate"])
        found = answer(
            player, "GET /state HTTP/1.1\r\n" + OURS + f"Authorization: Bearer {player.keys['view']}\r\n\r\n"
        )
        assert code_of(found) == 429
    finally:
        player.close()


def test_new_keys_turn_everybody_out(player: TalkingPlayer) -> None:
    async def turned_out() -> tuple[int, str]:
        connection = await browser_socket(player, player.keys["operate"])
        await until(connection, "hello")
        player.talk.say({"keys": {"operate": "o" * 22, "view": "v" * 22}})
        while await asyncio.wait_for(connection.read_message(), 10.0) is not None:
            pass
        connection.close()
        return connection.close_code, connection.close_reason

    assert asyncio.run(turned_out()) == (1008, "key")
    asyncio.run(with_its_keys(player))


def hear(connection: socket.socket, what: bytes) -> None:
    """Read until this comes."""
    heard = b""
    while what not in heard:
        part = connection.recv(65536)
        assert part, f"closed before {what!r}"
        heard += part


def test_whoever_was_turned_out_and_does_not_go_is_not_heard_and_keeps_nothing_from_others(
    player: TalkingPlayer,
) -> None:
    """A client that answers no close frame (RFC 6455, 5.5.1) may go on sending for the seconds until it is cut off."""

    async def others(stays: socket.socket, keys: dict[str, str]) -> None:
        stays.sendall(masked({"do": "dark", "values": [1], "number": 9}))
        good = await browser_socket(player, keys["operate"])
        await until(good, "hello")
        player.talk.say({"message": "all is well", "level": "INFO", "age_s": 0.0})
        while (await until(good, "message"))["message"] != "all is well":
            pass
        await good.write_message(json.dumps({"do": "go", "values": [], "number": 1}))
        assert (await until(good, "done"))["refused"] == ""
        await left(good)

    new, before = {"operate": "p" * 22, "view": "w" * 22}, len(player.asked)
    with socket.create_connection(("127.0.0.1", player.port), timeout=10.0) as stays:
        stays.sendall(filled(player, SOCKET).encode())
        stays.sendall(masked({"key": player.keys["operate"]}))
        hear(stays, b'{"hello"')
        player.talk.say({"keys": new})
        hear(stays, b"\x88\x05\x03\xf0key")  # the close frame, code 1008
        try:
            asyncio.run(others(stays, new))
        finally:
            asyncio.run(with_its_keys(player))
    assert [one["do"] for one in player.asked[before:] if one["do"] in ("dark", "go")] == ["go"]


def storm(player: TalkingPlayer, count: int) -> int:
    """At least so many hostile requests, several a connection and several connections at once; how many were served.

    A request after which the server closes ends its connection; the others are followed by one that asks it to.
    """
    head = f"GET /nothing HTTP/1.1\r\nHost: 127.0.0.1:{player.port}\r\nConnection: close\r\n\r\n".encode()
    huge = ("large headers", "many headers", "a long address")  # their bytes are a parser's work, not a server's
    texts = [filled(player, text).encode("latin-1") for name, (text, _) in REQUESTS.items() if name not in huge]
    served, turn = 0, 0
    while served < count:
        connections = []
        for _ in range(8):
            connections.append(socket.create_connection(("127.0.0.1", player.port), timeout=30.0))
            connections[-1].sendall(texts[turn % len(texts)] * 40 + head)
            turn += 1
        for one in connections:
            found = b""
            try:
                while part := one.recv(1 << 20):
                    found += part
            except ConnectionResetError:
                pass
            one.close()
            served += max(1, found.count(b"HTTP/1.1 4"))
            assert b"HTTP/1.1 5" not in found
    return served


def test_memory_stays_flat(player: TalkingPlayer) -> None:
    storm(player, 600)  # what Python keeps for later is kept by now
    before = player.memory_mib()
    storm(player, int(os.environ.get("RIGWARP_HOSTILE_REQUESTS", "600")))
    assert player.memory_mib() - before <= 5.0
    assert code_of(answer(player, "GET /healthz HTTP/1.1\r\n" + OURS + "\r\n")) == 200


def test_whoever_trickles_is_cut_off_and_the_page_lives_on(player: TalkingPlayer) -> None:
    """Half a request, a body byte by byte, silence, a socket without a key."""
    starts = {
        "headers": "GET / HTTP/1.1\r\n" + OURS + "X: ",
        "body": "POST / HTTP/1.1\r\n" + OURS + "Content-Length: 1000\r\n\r\n",
        "silence": "",
        "no key": SOCKET,
    }
    connections = {name: socket.create_connection(("127.0.0.1", player.port)) for name in starts}
    for name, one in connections.items():
        one.sendall(filled(player, starts[name]).encode())
        one.settimeout(0.5)
    deadline = time.monotonic() + 60.0
    while connections and time.monotonic() < deadline:
        assert code_of(answer(player, "GET / HTTP/1.1\r\n" + OURS + "\r\n")) == 200
        for name, one in list(connections.items()):
            try:
                if name != "silence":
                    one.sendall(b"x")
                ended = one.recv(65536) == b"" if name != "no key" else b"late" in one.recv(65536)
            except TimeoutError:
                continue
            except OSError:
                ended = True
            if ended:
                connections.pop(name).close()
    assert connections == {}


def test_whoever_does_not_read_is_cut_off_before_it_costs_memory(page_rig) -> None:
    player = TalkingPlayer(page_rig)
    sent, size = 1200, 20000
    try:
        with socket.create_connection(("127.0.0.1", player.port), timeout=20.0) as idle:
            idle.sendall(filled(player, SOCKET).encode() + masked({"key": player.keys["view"]}))
            before = player.memory_mib()
            for number in range(sent):
                while not player.talk.say({"message": f"{number:05}" + "x" * size, "level": "INFO", "age_s": 0.0}):
                    time.sleep(0.005)
            until_quiet = time.monotonic() + 30.0
            while player.memory_mib() - before > 12.0 and time.monotonic() < until_quiet:
                time.sleep(0.1)
            assert player.memory_mib() - before <= 12.0  # it would be 24 MB, and no end
            got = 0
            with contextlib.suppress(ConnectionResetError):
                while part := idle.recv(1 << 20):
                    got += len(part)
        assert got < sent * size / 2
    finally:
        player.close()


def test_one_address_leaves_room_for_others(player: TalkingPlayer) -> None:
    held = [socket.create_connection(("127.0.0.1", player.port), timeout=5.0) for _ in range(MOST_FROM_ONE + 8)]
    try:
        held[-1].settimeout(5.0)
        assert held[-1].recv(1) == b""  # closed at once; the first ones wait for a request
    except ConnectionResetError:
        pass
    finally:
        for one in held:
            one.close()


def test_sockets_without_a_key_are_few(player: TalkingPlayer) -> None:
    """Of one address; those that have shown theirs do not count."""

    async def talk() -> None:
        inside = await browser_socket(player, player.keys["view"])
        await until(inside, "hello")
        waiting = [await browser_socket(player, None) for _ in range(MOST_WAITING)]
        with pytest.raises(Exception, match="429"):
            await browser_socket(player, None)
        await left(*waiting, inside)

    asyncio.run(talk())
