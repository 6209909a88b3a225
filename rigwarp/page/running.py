"""The one job that somebody at the page has started: its process, how far it is, what came of it."""

import contextlib
import io
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final

from rigwarp.talk.pipes import Talk, packed, read_message

_NOTES: Final = 12
_STOP_S: Final = 5.0
"""After being asked to stop, a job is ended; unfinished runs are never used."""
_TIDY_S: Final = 1.0
"""For a job that has to go at once: the camera for another job, all when the page ends."""
CAMERA: Final = "camera"
_PROGRAM: Final = (sys.executable, "-m", "rigwarp.page.job")
_ANSWER_S: Final = 120.0


def ask_job(request: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
    """What `rigwarp.page.job` answers to a short question, with "why" where it did not work, and the bytes behind it.

    Waits for it. A process of its own: the server stays small, and quick to start.
    """
    found = None
    with contextlib.suppress(OSError, ValueError, subprocess.TimeoutExpired):
        done = subprocess.run(_PROGRAM, input=packed(request), stdout=subprocess.PIPE, timeout=_ANSWER_S, check=False)
        found = read_message(io.BytesIO(done.stdout))
    return found or ({"why": "the rig folder could not be asked; the terminal may tell more"}, b"")


class Running:
    """Starts jobs one at a time. Everything here is called in the server's own thread.

    Parameters
    ----------
    later : hands a call over to the server's thread, from any other.
    changed : called when something is to be shown anew.
    picture : called with each picture of the camera.
    frame : called with each frame for the player's window, with `{"release": True}`, and with `{"camera": False}` when
        a job needs the camera no more.
    """

    def __init__(
        self,
        *,
        later: Callable[..., object],
        changed: Callable[[], object],
        picture: Callable[[bytes], object],
        frame: Callable[[dict[str, Any], bytes], object],
    ) -> None:
        self._later, self._changed, self._picture, self._frame = later, changed, picture, frame
        self._process: subprocess.Popen[bytes] | None = None
        self._talk: Talk | None = None
        self._began_s = self._stage_s = 0.0
        self._stop_s: float | None = None
        self._notes: deque[str] = deque(maxlen=_NOTES)
        self._facts: dict[str, Any] = {}
        self.name = ""

    @property
    def busy(self) -> bool:
        """True while a job works, looking through the camera not counted."""
        return bool(self.name) and self.name != CAMERA

    def may_start(self, job: str) -> bool:
        """False while another one works."""
        return not self.busy or job == self.name == CAMERA

    def start(self, job: str, request: Mapping[str, Any]) -> bool:
        """Start a job; False while another one works. The camera's picture gives way to any."""
        if not self.may_start(job) or job == self.name:
            return job == self.name == CAMERA
        self.kill()
        self._notes.clear()
        self._facts = {}
        self.name, self._began_s, self._stop_s = job, time.monotonic(), None
        process = subprocess.Popen(_PROGRAM, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True)
        assert process.stdin is not None
        assert process.stdout is not None
        self._process = process
        self._talk = Talk(
            process.stdout,  # type: ignore[arg-type]
            process.stdin,  # type: ignore[arg-type]
            heard=lambda message, data: self._later(self._heard, process, message, data),
            ended=lambda: self._later(self._gone, process),
        )
        self._talk.say({**request, "job": job})
        self._changed()
        return True

    def stop(self) -> None:
        """Ask the job to stop; it is ended when it does not."""
        process = self._process
        if process is None:
            return
        if self._stop_s is None:
            self._stop_s = time.monotonic()
            process.send_signal(signal.SIGINT if sys.platform != "win32" else signal.SIGTERM)
        self._changed()

    def look_after(self) -> None:
        """Called now and then."""
        if self._stop_s is not None and time.monotonic() - self._stop_s > _STOP_S:
            self.kill()

    def kill(self) -> None:
        """End whatever runs."""
        process, self._process = self._process, None
        if process is not None:
            if self._stop_s is None and sys.platform != "win32":
                process.send_signal(signal.SIGINT)  # a command that takes a photograph ends with it, and lets go
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(_TIDY_S)
            process.kill()
            process.wait()
            self._end({"ended": "stopped"})

    def shown(self, message: dict[str, Any]) -> None:
        """What the player says about a frame."""
        if self._talk is not None:
            self._talk.say(message)

    def facts(self) -> dict[str, Any]:
        """What the page shows."""
        now = time.monotonic()
        return {
            **self._facts,
            "job": self.name,
            "notes": list(self._notes),
            "seconds": round(now - self._began_s, 1) if self.name else None,
            "stopping": self._stop_s is not None and bool(self.name),
        }

    def _heard(self, process: "subprocess.Popen[bytes]", message: dict[str, Any], data: bytes) -> None:
        if process is not self._process:
            return
        if "frame" in message or "release" in message:
            self._frame(message, data)
            return
        if "camera" in message:
            self._facts = dict(message)
            self._picture(data)
        elif "stage" in message:
            self._stage(message)
        elif "note" in message:
            self._notes.append(str(message["note"]))
        elif "ended" in message:
            self._process = None
            self._end(message)
        self._changed()

    def _stage(self, message: dict[str, Any]) -> None:
        """How far it is, and how long this stage will take at the pace that it has had."""
        now, at, of = time.monotonic(), int(message["at"]), max(int(message["of"]), 1)
        if self._facts.get("stage") != message["stage"] or at == 0:
            self._stage_s = now
        left = (now - self._stage_s) * (of - at) / at if at else None
        self._facts = {"stage": message["stage"], "at": at, "of": of, "left_s": None if left is None else round(left)}

    def _gone(self, process: "subprocess.Popen[bytes]") -> None:
        process.wait()
        if process is self._process:
            self._process = None
            why = "its process ended without a word; the terminal may tell more"
            stopped = self._stop_s is not None  # before it could say anything
            self._end({"ended": "stopped"} if stopped else {"ended": "failed", "why": why})

    def _end(self, message: dict[str, Any]) -> None:
        self._frame({"release": True}, b"")
        self._frame({"camera": False}, b"")
        name, self.name = self.name, ""
        told = name != CAMERA or message["ended"] == "failed"
        self._facts = {"last": {**message, "job": name}} if told else {}
        self._changed()
