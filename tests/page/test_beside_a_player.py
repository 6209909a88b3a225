"""The page beside a real player on a virtual rig, without a browser: what is asked for there happens on the table."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from page_player import TalkingPlayer, browser_socket, left, until

from rigwarp.files.page_key_file import page_keys
from rigwarp.live.operate.page_link import PageLink


@pytest.fixture(scope="module")
def playing(rigs: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """`rigwarp play RIG check:grid --page 0`, its folder, and where the page is."""
    root = rigs.make_rig(tmp_path_factory.mktemp("played") / "rig")
    rigs.add_result(root, 4.0)
    environment = {**os.environ, "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy", "COLUMNS": "500"}
    words = ["play", root, "check:grid", "--page", "0", "--draw", "cpu", "--fast", "--metrics", root / "figures.prom"]
    player = subprocess.Popen(
        [sys.executable, "-m", "rigwarp.cli", *words], env=environment, stderr=subprocess.PIPE, text=True
    )
    said = ""
    for line in player.stderr:
        said += line
        if "The page is at" in line:
            port = int(line.split("127.0.0.1:")[1].split("/")[0])
            break
    keys = page_keys(root)
    yield SimpleNamespace(
        root=root, port=port, origin=f"http://127.0.0.1:{port}", player=player, keys=vars(keys), said=said
    )
    player.send_signal(signal.SIGINT)
    _, last = player.communicate(timeout=120)
    assert player.returncode == 130
    assert "interrupted; the show has ended. Anything the page was still measuring is not used." in last


async def answered(socket, message: dict[str, object], number: int) -> dict[str, object]:
    await socket.write_message(json.dumps({**message, "number": number}))
    found = await until(socket, "done")
    assert found["done"] == number
    return found


async def state_with(socket, **wanted: object) -> dict[str, object]:
    for _ in range(100):
        state = (await until(socket, "state"))["state"]
        if all(state.get(key) == value for key, value in wanted.items()):
            return state
    raise AssertionError(f"no state with {wanted}")


def children(of: int) -> list[int]:
    """Processes that a process has started, whichever of its threads did."""
    return [int(one) for task in Path(f"/proc/{of}/task").glob("*/children") for one in task.read_text().split()]


def born(process: int) -> int:
    """When a process began, in the kernel's ticks (proc(5), field 22)."""
    return int(Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[19])


def until_true(found, seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not found() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert found()


def test_a_tap_changes_the_light_and_the_other_tablet_sees_it(playing) -> None:
    async def talk() -> None:
        one = await browser_socket(playing, playing.keys["operate"])
        other = await browser_socket(playing, playing.keys["operate"])
        hello = (await until(one, "hello"))["hello"]
        assert hello["table"] == {"shape": "circle", "size_mm": [300.0, 300.0]}
        revision = (await state_with(one, playing=True))["revision"]
        first = await answered(one, {"do": "shift", "values": [3, -1], "revision": revision}, 1)
        assert first["refused"] == ""
        late = await answered(other, {"do": "turn", "values": [5], "revision": revision}, 1)
        assert late["refused"] == "changed"
        assert late["revision"] == first["revision"] > revision
        state = await state_with(other, revision=first["revision"])
        assert state["correction"]["shift_mm"] == [3.0, -1.0]
        assert state["turn_deg"] == 0.0
        assert (await answered(one, {"do": "show", "values": ["/etc/hostname"]}, 2))["refused"].startswith("malformed")
        await answered(one, {"do": "before", "values": [1]}, 3)
        await state_with(other, before=True)
        await answered(one, {"do": "grid", "values": [1]}, 4)
        await state_with(other, stands_in="grid")
        await left(one)  # what it held down is let go
        await state_with(other, before=False, stands_in="")
        back = await answered(other, {"do": "reset", "revision": first["revision"]}, 5)
        assert back["refused"] == ""
        await left(other)

    asyncio.run(talk())
    saved = playing.root / "adjust.json"
    until_true(lambda: saved.exists() and json.loads(saved.read_text())["shift_mm"] == [0.0, 0.0])


def test_a_spare_one_takes_its_place_when_it_is_killed_and_the_show_goes_on(playing) -> None:
    until_true(lambda: len(children(playing.player.pid)) == 2)
    page, spare = sorted(children(playing.player.pid), key=born)
    os.kill(page, signal.SIGKILL)

    async def talk() -> None:
        for _ in range(200):
            try:
                socket = await browser_socket(playing, playing.keys["view"])
                break
            except OSError:
                await asyncio.sleep(0.05)
        await state_with(socket, playing=True)
        await left(socket)

    asyncio.run(talk())
    assert playing.player.poll() is None
    assert page not in children(playing.player.pid)
    assert spare in children(playing.player.pid)
    os.kill(spare, signal.SIGKILL)  # before there is another spare, or after: somebody serves again
    until_true(lambda: set(children(playing.player.pid)) - {page, spare})
    asyncio.run(talk())


def test_a_look_that_cannot_be_taken_says_why(playing) -> None:
    async def talk() -> dict[str, object]:
        socket = await browser_socket(playing, playing.keys["operate"])
        await until(socket, "hello")
        await answered(socket, {"job": "look"}, 1)
        assert (await answered(socket, {"job": "verify"}, 2))["refused"] == "busy"
        assert (await answered(socket, {"do": "hold"}, 3))["refused"] == "busy"  # but for dark, nothing disturbs it
        while True:
            job = (await until(socket, "job", 60.0))["job"]
            if "last" in job:
                await left(socket)
                return job["last"]

    last = asyncio.run(talk())
    assert (last["job"], last["ended"]) == ("look", "failed")
    assert last["why"]


def test_the_camera_is_asked_of_the_player_before_a_job_and_given_back(player: TalkingPlayer) -> None:
    """Most cameras serve one program alone, and the player may be watching for drift."""

    async def talk() -> None:
        socket = await browser_socket(player, player.keys["operate"])
        await until(socket, "hello")
        await socket.write_message(json.dumps({"job": "look", "number": 1}))
        while "last" not in (await until(socket, "job", 60.0))["job"]:
            pass
        await left(socket)

    player.cameras.clear()
    asyncio.run(talk())
    until_true(lambda: player.cameras == [True, False])


def test_no_key_is_written_anywhere_but_into_its_file(playing) -> None:
    for key in playing.keys.values():
        assert key not in playing.said
    assert (playing.root / "page.key").stat().st_mode & 0o777 == 0o600
    for page in children(playing.player.pid):
        seen = Path(f"/proc/{page}/cmdline").read_bytes() + Path(f"/proc/{page}/environ").read_bytes()
        assert not any(key.encode() in seen for key in playing.keys.values())


def test_the_player_imports_no_server(playing) -> None:
    maps = Path(f"/proc/{playing.player.pid}/maps").read_text()
    assert "tornado" not in maps


def test_metrics_for_a_collector_are_written_whole(playing) -> None:
    from prometheus_client.parser import text_string_to_metric_families

    with urllib.request.urlopen(f"{playing.origin}/metrics", timeout=10) as answer:
        served = {family.name for family in text_string_to_metric_families(answer.read().decode())}
    assert {"rigwarp_frames", "rigwarp_resident_memory_bytes", "rigwarp_flip_period_seconds"} <= served
    path = playing.root / "figures.prom"
    until_true(path.exists)
    found = {family.name: family for family in text_string_to_metric_families(path.read_text())}
    assert found["rigwarp_up"].samples[0].value == 1.0
    assert {sample.labels["outcome"] for sample in found["rigwarp_frames"].samples} == {
        "fresh", "repeated", "late", "dropped",
    }  # fmt: skip


SAYS_CAMERA = """
import time
print('{"camera": true}\\n{"do": "dark"}', flush=True)
time.sleep(1e9)
"""


def test_closed_while_its_process_starts_it_leaves_none_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    link, started = PageLink([sys.executable, "-c", "import time; time.sleep(60)"], {}, sources=()), []
    popen = subprocess.Popen

    def late(*words: Any, **options: Any) -> Any:
        link.close()  # finds no process to end yet
        started.append(popen(*words, **options))
        return started[-1]

    monkeypatch.setattr("rigwarp.live.operate.page_link.subprocess.Popen", late)
    monkeypatch.setattr(link, "_thread", threading.Thread())
    runs = threading.Thread(target=link._run, daemon=True)
    runs.start()
    runs.join(20.0)
    (process,) = started
    assert process.poll() is not None
    process.stdin.close()
    process.stdout.close()


def test_photographs_that_are_being_taken_do_not_keep_the_page_from_being_heard() -> None:
    """The watch for drift lets go of the camera after them, which may take longer than a page may be silent."""
    link = PageLink([sys.executable, "-c", SAYS_CAMERA], {}, sources=())
    busy, asked = threading.Event(), threading.Event()

    def give(away: bool) -> None:
        assert away or busy.is_set()
        asked.set()
        busy.wait(30.0)

    link.give_camera = give
    link._take = lambda message: busy.set()  # what it says behind it
    lending = link._lends
    lending.start()
    link._thread.start()
    try:
        assert asked.wait(20.0)
        assert busy.wait(20.0)
    finally:
        link.close()
    lending.join(20.0)
    assert not lending.is_alive()
