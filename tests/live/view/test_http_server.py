"""Pictures over HTTP: by raw sockets as a stranger would, and with OpenCV's own reader."""

import itertools
import json
import socket
import threading
import time

import cv2
import numpy as np
import pytest

from rigwarp.errors import DeviceError
from rigwarp.live.view.http_server import PictureServer, host_allowed

PICTURE = np.full((48, 64, 3), (200, 120, 40), np.uint8)  # blue, green, red


@pytest.fixture
def server():
    serving = PictureServer(0, about={"mm_per_pixel": 0.5}, most_clients=3)
    yield serving
    serving.close()


def ask(server, path, *more, host=None, method="GET"):
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as client:
        head = [f"{method} {path} HTTP/1.1", f"Host: {host or f'127.0.0.1:{server.port}'}", *more]
        client.sendall("\r\n".join([*head, "", ""]).encode())
        data = b""
        while chunk := client.recv(65536):
            data += chunk
    head, _, body = data.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode(), body


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8080", "127.0.0.1:1", "192.168.1.4", "[::1]", "[::1]:80"])
def test_own_names_and_addresses_are_let_in(host):
    assert host_allowed(host, frozenset({"localhost"}))


@pytest.mark.parametrize(
    "host", [None, "", "evil.example", "localhost.evil.example", "localhost:80:80", "127.0.0.1.evil.example", "[::1",
             "localhost:x", "user@localhost", "[]:80"]
)  # fmt: skip
def test_names_of_other_sites_are_not(host):
    assert not host_allowed(host, frozenset({"localhost"}))


def test_picture_page_and_facts(server):
    captured_s = time.monotonic() - 0.5
    server.show(PICTURE, captured_s)
    status, head, body = ask(server, "/view.jpg")
    assert status == 200
    assert "nosniff" in head
    assert np.abs(cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_COLOR).astype(int) - PICTURE).max() <= 4
    facts = json.loads(ask(server, "/view.json")[2])
    assert facts["mm_per_pixel"] == 0.5
    assert 500.0 <= facts["age_ms"] < 30_000.0
    assert b'<img src="view.mjpg"' in ask(server, "/")[2]


def test_strangers_are_refused(server):
    server.show(PICTURE, 0.0)
    assert ask(server, "/view.jpg", host="evil.example")[0] == 421
    assert ask(server, "/view.jpg", "Sec-Fetch-Site: cross-site")[0] == 403
    assert ask(server, "/view.jpg", "Sec-Fetch-Site: same-origin")[0] == 200
    assert ask(server, "/../../etc/passwd")[0] == 404
    assert ask(server, "/view.jpg?x=1")[0] == 404
    assert ask(server, "/favicon.ico")[0] == 204
    assert ask(server, "/view.jpg", method="POST")[0] == 501
    assert ask(server, "/view.jpg", "X: " + "y" * 70000)[0] == 431


def test_before_the_first_picture_there_is_none(server, monkeypatch):
    monkeypatch.setattr("rigwarp.live.view.http_server._WAIT_S", 0.01)
    assert server.jpeg(0, 0.01) is None
    assert json.loads(ask(server, "/view.json")[2])["age_ms"] is None


def test_opencv_reads_the_stream_and_it_moves_on(server):
    stop = threading.Event()

    def publish_on():
        for number in itertools.count():
            server.show(np.full_like(PICTURE, number % 256), 0.0)
            if stop.wait(0.01):
                return

    thread = threading.Thread(target=publish_on)
    thread.start()
    reader = cv2.VideoCapture(f"http://127.0.0.1:{server.port}/view.mjpg", cv2.CAP_FFMPEG)
    try:
        assert reader.isOpened()
        values = {int(reader.read()[1][24, 32, 0]) for _ in range(20)}
        assert len(values) > 5
    finally:
        stop.set()
        reader.release()
        thread.join()


def test_a_client_that_does_not_read_holds_nobody_up_and_too_many_are_told(server):
    large = np.random.default_rng(1).integers(0, 256, (1000, 1000, 3), dtype=np.uint8)
    idle = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(2)]
    for client in idle:
        client.sendall(b"GET /view.mjpg HTTP/1.0\r\nHost: localhost\r\n\r\n")
    for _ in range(8):
        server.show(large, 0.0)
    assert ask(server, "/view.jpg")[0] == 200
    idle.append(socket.create_connection(("127.0.0.1", server.port)))
    deadline = time.monotonic() + 5
    while server.clients < 3 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert ask(server, "/view.jpg")[0] == 503
    for client in idle:
        client.close()


def test_a_port_in_use_is_told(server):
    with pytest.raises(DeviceError, match="give --http another port"):
        PictureServer(server.port, about={})
