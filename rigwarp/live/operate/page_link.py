"""The player's side of the page beside the table: a process of its own, started, fed, listened to, started again.

The page's process tells what people want (`{"do": NAME, "values": [...], "revision": N, "number": N}`) and how many
watch; it is told the state ten times a second, small pictures of the content, and what came of each command. Frames of
a measurement go the same way, see `LentFrames`. Nothing of it runs in the frame loop's thread,
and if that process dies or hangs the show goes on, and a spare one takes its place, which has imported everything and
waits for its first message.
"""

import contextlib
import logging
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import cv2

from rigwarp.errors import DeviceError
from rigwarp.files import plain_json
from rigwarp.live.operate.interlude import LentFrames
from rigwarp.live.render.picture import AnyPicture, small_rgb
from rigwarp.live.run.unattended import resident_mib
from rigwarp.talk.commands import Command, Inlet, MalformedCommand, checked_values
from rigwarp.talk.keys import PageKeys
from rigwarp.talk.pipes import Talk

if TYPE_CHECKING:
    from rigwarp.live.run.session import Session

log = logging.getLogger(__name__)
STATE_S, _KEYS_S = 0.1, 1.0
_PICTURE_PX, _JPEG_QUALITY = 480, 70
_CALM_S = 2.0
"""A page serves so long before a spare is started, which takes the processor for half a second."""
_SPARE_S = 10.0
"""From one spare to the next: one that ends by itself is not started all the time."""
_SILENT_S, _READY_S = 6.0, 20.0
"""A page that has said nothing for so long is ended; so long it may take to start."""
_END_S = 3.0
_PAUSES_S, _IN_A_ROW_S = (0.05, 0.3, 1.0, 2.0), 4.0
"""Before another one takes its place: the first time, the second time in a row, and so on; it ended so soon, then."""
_MESSAGES = 40
_STOP = {"grid": (0.0,), "before": (0.0,)}
"""What nobody can take back once the page is gone."""


@dataclass
class _Told:
    """What the present process has been told, and said."""

    talk: Talk | None = None
    heard_s: float = 0.0
    ready: bool = False
    watching: bool = False
    picture: AnyPicture | None = None
    message: int = 0
    frames: LentFrames | None = None


class PageLink(Inlet):
    """Runs the page's process until closed.

    Parameters
    ----------
    command : that starts the process.
    hello : what it is told first: the rig, where to listen, the canvas, which sources there are.
    sources : the names that may be shown.
    new_keys : asked every second for keys that have taken the place of those in `hello`.
    every_s : the shortest time between two frames of a measurement.
    """

    def __init__(
        self,
        command: Sequence[str],
        hello: Mapping[str, Any],
        *,
        sources: Sequence[str],
        every_s: float = 0.0,
        new_keys: Callable[[], PageKeys | None] = lambda: None,
    ) -> None:
        super().__init__()
        self._command, self._hello, self._sources, self._every_s = tuple(command), dict(hello), sources, every_s
        self._new_keys, self._asked_s = new_keys, 0.0
        self._playing: Session | None = None
        self._told = _Told()
        self._process: subprocess.Popen[bytes] | None = None
        self._spare: subprocess.Popen[bytes] | None = None
        self._messages: deque[tuple[int, float, str, str]] = deque(maxlen=_MESSAGES)
        self._message_number = 0
        self._failed = ""
        self._ended, self._gone, self._up = threading.Event(), threading.Event(), threading.Event()
        self.address: Mapping[str, Any] = {}
        self.give_camera: Callable[[bool], object] = bool  # a player without one gives none
        self._camera: SimpleQueue[bool | None] = SimpleQueue()
        self._spare_s = -_SPARE_S
        self.starts = 0
        self._thread = threading.Thread(target=self._run, name="rigwarp-page", daemon=True)
        self._lends = threading.Thread(target=self._lend_camera, name="rigwarp-page-camera", daemon=True)

    def start(self, playing: "Session") -> Mapping[str, Any]:
        """Start the process, and return its addresses once it serves.

        Raises
        ------
        DeviceError
            When it cannot serve: the port is taken, for example.
        """
        self._playing = playing
        self._thread.start()
        threading.Thread(target=self._tell, name="rigwarp-page-state", daemon=True).start()
        self._lends.start()
        if not self._up.wait(_READY_S) or self._failed:
            self.close()
            raise DeviceError(self._failed or f"the page did not start within {_READY_S:g} s. Play without --page.")
        return self.address

    def done(self, command: Command, refused: str, revision: int) -> None:
        """Tell the page what came of a command."""
        self._say({"done": command.number, "refused": refused, "revision": revision})

    def noted(self, level: str, text: str) -> None:
        """A line of the log, for whoever reads the page."""
        self._message_number += 1
        self._messages.append((self._message_number, time.monotonic(), level, text))

    def close(self) -> None:
        """End the process, and what runs beside it here; the camera is given back."""
        self._ended.set()
        _end(self._process)
        if self._thread.is_alive():
            self._thread.join(timeout=_END_S)
        self._drop_spare()
        for away in (False, None):
            self._camera.put(away)
        if self._lends.is_alive():  # photographs that are being taken may keep it longer: they end with their watch
            self._lends.join(timeout=_END_S)

    def _run(self) -> None:
        """One process after the other."""
        in_a_row = 0
        while not self._ended.is_set():
            began = time.monotonic()
            try:
                self._serve()
            except OSError as error:
                self._failed = f"the page cannot be started: {error}"
            if self._failed and not self._told.ready:
                self._up.set()
            for name, values in _STOP.items():
                self.keep(Command(name=name, values=values, sender=("page", 0)))
            if self._told.frames is not None:
                self._told.frames.release()
            self._camera.put(False)
            in_a_row = 0 if time.monotonic() - began > _IN_A_ROW_S else in_a_row + 1
            if not self._ended.wait(_PAUSES_S[min(in_a_row, len(_PAUSES_S) - 1)]):
                log.warning("the page's process has ended; it is started again")

    def _serve(self) -> None:
        """One process from its start to its end."""
        self._gone.clear()
        began_s = time.monotonic()
        told = _Told(heard_s=began_s)
        process, self._spare = self._spare or self._started(), None
        self._process, self.starts = process, self.starts + 1
        assert process.stdin is not None
        assert process.stdout is not None
        talk = Talk(process.stdout, process.stdin, heard=self._heard, ended=self._gone.set)  # type: ignore[arg-type]
        if self._playing is not None:
            told.frames = LentFrames(self._playing.interludes, self._say, every_s=self._every_s)
        talk.say({"hello": self._hello})
        told.talk = talk
        self._told = told
        while not (self._gone.wait(0.5) or self._ended.is_set()):  # closed between two processes, it ends too
            if time.monotonic() - self._told.heard_s > (_SILENT_S if self._told.ready else _READY_S):
                log.warning("the page's process does not answer")
                break
            self._keep_spare(began_s)
        _end(self._process)
        self._told.talk = None
        talk.finish()
        _close_pipes(process)

    def _keep_spare(self, began_s: float) -> None:
        """See that there is one that could take over, once the present one serves."""
        if self._spare is not None and self._spare.poll() is not None:
            self._drop_spare()
        now_s = time.monotonic()
        calm = now_s - began_s > _CALM_S and now_s - self._spare_s > _SPARE_S
        if self._spare is None and self._told.ready and calm:
            self._spare_s = now_s
            with contextlib.suppress(OSError):  # no more processes: the present one serves on
                self._spare = self._started()

    def _drop_spare(self) -> None:
        spare, self._spare = self._spare, None
        _end(spare)
        if spare is not None:
            _close_pipes(spare)

    def _started(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def _heard(self, message: dict[str, Any], data: bytes) -> None:
        told = self._told
        told.heard_s = time.monotonic()
        if "do" in message:
            self._take(message)
        elif "frame" in message and told.frames is not None:
            told.frames.frame(int(message["frame"]), tuple(message["shape"]), data)
        elif "release" in message and told.frames is not None:
            told.frames.release()
        elif "camera" in message:
            self._camera.put(bool(message["camera"]))
        elif "watching" in message:
            told.watching, told.picture = bool(message["watching"]), None
        elif "ready" in message:
            self.address = message["ready"]
            if self._playing is not None:
                self._playing.code = tuple(self.address.get("code", ()))
            self._hello["port"] = self.address["port"]  # it comes back where browsers look for it
            told.ready = True
            self._up.set()
        elif "failed" in message:
            self._failed = str(message["failed"])

    def _take(self, message: dict[str, Any]) -> None:
        """Let a command wait for the frame loop; what is none is refused at once."""
        name, values = str(message["do"]), message.get("values", [])
        number, revision = int(message.get("number", 0)), message.get("revision")
        try:
            checked = checked_values(name, values)
            if name == "show" and checked[0] not in self._sources:
                raise MalformedCommand("a source that was not named at the start")
        except MalformedCommand as error:
            self._say({"done": number, "refused": f"malformed: {error}"})
            return
        command = Command(name=name, values=checked, sender=("page", 0), revision=revision, number=number)
        if not self.keep(command):
            self._say({"done": number, "refused": "busy"})

    def _say(self, message: Mapping[str, Any], data: bytes = b"") -> bool:
        talk = self._told.talk
        return talk is not None and talk.say(message, data)

    def _lend_camera(self) -> None:
        """Let it go and take it back, in turn: photographs that are being taken may keep it for long."""
        while (away := self._camera.get()) is not None:
            try:
                self.give_camera(away)
            except Exception:  # a driver that cannot close it; whoever asks next is heard all the same
                log.exception("the camera could not be let go")
            self._say({"camera": away})

    def _tell(self) -> None:
        """State, messages and pictures, ten times a second."""
        while not self._ended.wait(STATE_S):
            told = self._told
            if told.talk is None or not told.ready or self._playing is None:
                continue
            try:
                self._tell_once(told, self._playing)
            except Exception:  # the page is no reason to end anything
                log.exception("the page could not be told how things are")

    def _tell_once(self, told: _Told, playing: "Session") -> None:
        now = time.monotonic()
        fresh = [one for one in tuple(self._messages) if one[0] > told.message]
        frames = told.frames
        measuring = frames is not None and frames.active
        state = {**playing.page_state(), "measuring": measuring, "memory_mib": resident_mib()}
        said = self._say({"state": plain_json(state)})
        if now - self._asked_s > _KEYS_S:
            self._asked_s = now
            if (keys := self._new_keys()) is not None:
                self._hello["keys"] = asdict(keys)
                self._say({"keys": asdict(keys)})
        for number, at_s, level, text in fresh:
            if self._say({"message": text, "level": level, "age_s": round(now - at_s, 1)}):
                told.message = number
        picture = playing.shown
        if told.watching and said and picture is not told.picture:
            told.picture = picture
            self._say({"picture": picture is not None}, b"" if picture is None else _small_jpeg(picture))


def _end(process: subprocess.Popen[bytes] | None) -> None:
    """Ask a process to go, and see to it that it does."""
    if process is None or process.poll() is not None:
        return
    process.terminate()
    try:
        process.wait(timeout=2.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _close_pipes(process: subprocess.Popen[bytes]) -> None:
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):  # what was not sent yet goes nowhere
                stream.close()


def _small_jpeg(picture: AnyPicture) -> bytes:
    done, data = cv2.imencode(
        ".jpg", small_rgb(picture, _PICTURE_PX)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    )
    return bytes(data) if done else b""
