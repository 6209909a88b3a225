"""The process of a job: it may tidy up before it goes, and one that was stopped has not failed."""

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from subprocess import PIPE, Popen
from typing import Any

import pytest

from rigwarp.page.hub import Hub
from rigwarp.page.messages import Said
from rigwarp.page.running import Running
from rigwarp.talk.keys import PageKeys

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a process cannot be interrupted there")


@pytest.fixture
def processes() -> "Iterator[list[Popen[bytes]]]":
    started: list[Popen[bytes]] = []
    yield started
    for process in started:
        process.kill()
        process.wait()
        with contextlib.suppress(BrokenPipeError):  # what it was told last may still wait to be read
            process.stdin.close()
        process.stdout.close()


def running_with(monkeypatch: pytest.MonkeyPatch, processes: "list[Popen[bytes]]", code: str) -> Running:
    """Jobs are Python that says it is up and then does something."""

    def started(*_: Any, **__: Any) -> "Popen[bytes]":
        words = [sys.executable, "-c", f'import time\nprint(\'{{"note": "up"}}\', flush=True)\n{code}']
        processes.append(Popen(words, stdin=PIPE, stdout=PIPE))
        return processes[-1]

    monkeypatch.setattr("rigwarp.page.running.subprocess.Popen", started)
    return Running(
        later=lambda call, *given: call(*given),
        changed=lambda: None,
        picture=lambda data: None,
        frame=lambda message, data: None,
    )


def wait_for(what: Callable[[], object]) -> None:
    deadline = time.monotonic() + 60.0
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_the_camera_lets_go_before_another_job_wants_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, processes: "list[Popen[bytes]]"
) -> None:
    mark = tmp_path / "tidied"
    code = f"try: time.sleep(60)\nexcept KeyboardInterrupt: open({str(mark)!r}, 'w')"
    running = running_with(monkeypatch, processes, code)
    assert running.start("camera", {})
    wait_for(lambda: running.facts()["notes"])
    assert running.start("look", {})
    assert mark.exists()
    assert running.name == "look"
    running.kill()


class Player:
    """Hears whether the camera is wanted."""

    def __init__(self, told: list[bool]) -> None:
        self._told = told

    def say(self, message: dict[str, Any], _data: bytes = b"") -> bool:
        self._told += [message["camera"]] if "camera" in message else []
        return True


class Onlooker:
    """A browser that may do everything, and is told nothing."""

    role = "operate"

    def tell(self, _message: dict[str, Any]) -> None: ...

    def show(self, _picture: bytes) -> None: ...


def test_the_live_picture_gives_the_camera_back_before_another_job_asks_for_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, processes: "list[Popen[bytes]]"
) -> None:
    running_with(monkeypatch, processes, "time.sleep(60)")
    hub = Hub(tmp_path, {}, {}, PageKeys.new(), later=lambda call, *given: call(*given), aside=lambda *_: None)
    told: list[bool] = []
    hub.link = Player(told)
    client = Onlooker()
    hub.enter(client)
    for number, job in enumerate(("camera", "look"), 1):
        hub.take(client, Said(kind="job", what=job, number=number))
        assert hub.running.name != job
        hub.heard({"camera": True}, b"")  # the player has let go of it
        assert hub.running.name == job
        wait_for(lambda: hub.running.facts()["notes"])
    assert told == [True, False, True]
    hub.running.kill()
    assert told == [True, False, True, False]


def test_a_camera_that_is_let_go_too_late_is_given_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rigwarp.page.hub._CAMERA_S", -1.0)
    hub = Hub(tmp_path, {}, {}, PageKeys.new(), later=lambda call, *given: call(*given), aside=lambda *_: None)
    told: list[bool] = []
    hub.link = Player(told)
    client = Onlooker()
    hub.enter(client)
    hub.take(client, Said(kind="job", what="look", number=1))
    hub.look_after()
    assert told == [True, False]
    hub.heard({"camera": True}, b"")
    assert told == [True, False, False]
    assert not hub.running.name


def test_a_job_that_was_stopped_before_it_could_say_so_has_not_failed(
    monkeypatch: pytest.MonkeyPatch, processes: "list[Popen[bytes]]"
) -> None:
    running = running_with(monkeypatch, processes, "import signal; signal.signal(2, signal.SIG_DFL); time.sleep(60)")
    assert running.start("look", {})
    wait_for(lambda: running.facts()["notes"])
    running.stop()
    wait_for(lambda: "last" in running.facts())
    assert running.facts()["last"] == {"ended": "stopped", "job": "look"}
