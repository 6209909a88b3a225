"""A job that somebody at the page has started, in a process of its own: `python -m rigwarp.page.job`.

The first message says what to do (`{"rig": PATH, "job": NAME, "player": true, ...}`). Out go stages, notes, pictures of
the camera, frames for the player's window, and at the end `{"ended": ...}`; in come `{"shown": N}` for each frame.
"""

import _thread
import contextlib
import io
import os
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from queue import Empty, Queue
from typing import TYPE_CHECKING, Any, Final

from rigwarp.errors import DeviceError, DisplayTakenBack, InputError, RigwarpError
from rigwarp.talk.pipes import Talk, own_streams, packed, read_message

if TYPE_CHECKING:
    from rigwarp.devices import Frame
    from rigwarp.jobs.opened_rig import OpenedRig

_SHOWN_S: Final = 20.0
"""A frame that is not shown by then never is."""
_PICTURES_A_SECOND, _JPEG_QUALITY = 5.0, 75
_STEP_S: Final = 0.1
QUICK: Final = ("results", "use", "document")
"""Questions that are answered at once and need no devices."""
_HTML, _BYTES, _ZIP = "text/html; charset=utf-8", "application/octet-stream", "application/zip"
"""Of documents, as a browser takes them."""
Say = Callable[..., bool]


class Told:
    """`Progress` that goes through a pipe."""

    def __init__(self, say: Say) -> None:
        self._say = say

    @contextmanager
    def stage(self, total: int, label: str) -> Iterator[Callable[..., None]]:
        """Tell how far it is, not more than ten times a second."""
        done, last_s = 0, 0.0

        def advance(steps: int = 1) -> None:
            nonlocal done, last_s
            done += steps
            if time.monotonic() - last_s > _STEP_S or done >= total:
                last_s = time.monotonic()
                self._say({"stage": label, "of": total, "at": done})

        self._say({"stage": label, "of": total, "at": 0})
        yield advance

    def note(self, text: str) -> None:
        """Tell it."""
        self._say({"note": text})


class PlayerDisplay:
    """`Display` that is the player's window: frames go there, and are shown between two pictures of the content.

    `resolution` is (width, height) in native pixels.
    """

    def __init__(self, resolution: tuple[int, int], say: Say) -> None:
        self.resolution, self._say = resolution, say
        self._answers: Queue[dict[str, Any]] = Queue()
        self._number = 0

    def show(self, frame: "Frame") -> None:
        """Show a frame; it is visible when this returns.

        Raises
        ------
        DisplayTakenBack
            When somebody wanted the content back.
        DeviceError
            When the player does not show it.
        """
        self._number += 1
        self._say({"frame": self._number, "shape": list(frame.shape)}, frame.tobytes())
        deadline = time.monotonic() + _SHOWN_S
        while True:
            try:
                answer = self._answers.get(timeout=max(deadline - time.monotonic(), 0.0))
            except Empty:
                raise DeviceError("the player does not show the patterns. Is it still running?") from None
            if answer.get("shown") == self._number:
                return
            if answer.get("taken_back") == self._number:
                raise DisplayTakenBack(str(answer.get("why", "the display was needed for the content")))

    def answered(self, message: dict[str, Any]) -> None:
        """Called by whoever reads the pipe."""
        self._answers.put(message)

    def close(self) -> None:
        """The content goes on."""
        self._say({"release": True})


def run_job(rig: "OpenedRig", job: str, *, display: Any, say: Say) -> dict[str, Any]:
    """Do it by the facade; returns what the page shows of the result."""
    if job == "calibrate":
        made = rig.calibrate(display=display)
        told = {"result": made.fit.run.name, "current": made.fit.current, "against": list(made.fit.verdict.failures)}
        return {**told, "p95_mm": float(made.checks["after"].result.p95_mm)} if made.checks else told
    if job == "verify":
        verified = rig.verify(before=False, display=display)
        p95_mm = verified.checks["after"].result.p95_mm
        rig.report()
        return {"result": verified.result.name, "p95_mm": float(p95_mm), "against": list(verified.verdict.failures)}
    if job in ("look", "reregister"):
        looked = rig.look(reregister=job == "reregister", display=display)
        judged = looked.check.judged
        kept = looked.reregistered is not None and looked.reregistered.kept
        return {
            "p95_mm": float(looked.picture.p95_mm),
            "findings": list(judged.findings),
            "advice": "nothing" if kept else judged.advice,
            "corrected": kept,
        }
    _show_camera(rig, say)
    return {}


def _show_camera(rig: "OpenedRig", say: Say) -> None:
    """The camera's live picture with the aids of the preview, until this process is ended."""
    import cv2

    from rigwarp.capture.preview.picture import brightest_and_burnt, camera_picture
    from rigwarp.capture.preview.watch import watched
    from rigwarp.jobs.bench.camera_view import camera_view

    with camera_view(rig.folder) as view:
        while True:
            began = time.monotonic()
            photo = view.camera.look()
            state = watched(photo, rig.folder.rig, view.model, view.sheet_height_mm)
            picture = camera_picture(photo, state)
            _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
            brightest, burnt = brightest_and_burnt(photo)
            facts = {"brightest": round(100 * brightest), "burnt": round(100 * burnt, 2), "urgent": state.urgent}
            say({"camera": state.prompt, "lines": list(state.lines[:-1]), **facts}, bytes(data))
            time.sleep(max(1.0 / _PICTURES_A_SECOND - (time.monotonic() - began), 0.02))


def main() -> int:
    """Read what to do, do it, and say how it ended."""
    source, target = own_streams()
    first = read_message(source)
    if first is None:
        return 2
    asked = first[0]
    if asked["job"] in QUICK:
        with contextlib.suppress(OSError):  # whoever asked may have gone
            target.write(packed(*_answer(asked)))
            target.flush()
        return 0
    ended = threading.Event()
    display: list[PlayerDisplay] = []

    def heard(message: dict[str, Any], _data: bytes) -> None:
        for one in display:
            one.answered(message)

    def gone() -> None:
        if not ended.is_set():
            _thread.interrupt_main()  # whoever started it is no more

    talk = Talk(source, target, heard=heard, ended=gone)
    say: Say = _patient(talk)
    try:
        outcome = {"ended": "done", **_done(asked, say, display)}
    except KeyboardInterrupt:
        outcome = {"ended": "stopped"}
    except DisplayTakenBack as error:
        outcome = {"ended": "taken back", "why": str(error)}
    except RigwarpError as error:
        outcome = {"ended": "failed", "why": str(error)}
    except Exception as error:  # told at the page, where nobody reads a traceback
        outcome = {"ended": "failed", "why": f"unexpected {type(error).__name__}: {error}"}
    ended.set()
    for one in display:
        one.close()
    say(outcome)
    talk.finish()
    return 0


def _answer(asked: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
    """The answer to a short question, and the bytes that belong to it."""
    import rigwarp
    from rigwarp.files import plain_json

    try:
        rig = rigwarp.open_rig(Path(asked["rig"]))
        if asked["job"] == "results":
            return {"results": [plain_json(asdict(one)) for one in rig.results()]}, b""
        if asked["job"] == "use":
            return {"used": rig.use(asked["result"]).name}, b""
        return _document(rig.folder.root, asked["result"], asked["what"])
    except RigwarpError as error:
        return {"why": str(error)}, b""


def _document(root: Path, result: str, what: str) -> tuple[dict[str, Any], bytes]:
    """A document of a finished result: name, kind, whether it is attached (to be saved, not shown); and its bytes.

    Parameters
    ----------
    result : its folder's name; only one that is listed is taken.
    what : "report", "map.npz", "prewarp.npz", or a format of `rigwarp export`, which comes as a zip archive.

    Raises
    ------
    InputError
        If there is none.
    """
    from rigwarp.files import complete_runs, open_rig, read_bytes
    from rigwarp.files.names import MAP_FILE, PREWARP_FILE, REPORT_FILE, RESULTS

    run = next((run for run in complete_runs(root / RESULTS) if run.name == result), None)
    if run is None:
        raise InputError(f"{root / RESULTS}: found no finished result of that name. Choose one that is listed.")
    if what == "report":
        if not (run / REPORT_FILE).is_file():
            from rigwarp.reports.report import write_report

            write_report(open_rig(root), run)
        return {"name": REPORT_FILE, "kind": _HTML, "attached": False}, read_bytes(run / REPORT_FILE)
    if what in (MAP_FILE, PREWARP_FILE):
        return {"name": f"{result}-{what}", "kind": _BYTES, "attached": True}, read_bytes(run / what)
    return {"name": f"{result}-{what}.zip", "kind": _ZIP, "attached": True}, _export(root, run, what)


def _export(root: Path, run: Path, format: str) -> bytes:
    from rigwarp.files import current_result, open_rig
    from rigwarp.jobs.results.export_warp import export_warp

    if current_result(root).name != run.name:
        raise InputError(f"{run}: only the current result is exported. Make it current first.")
    buffer = io.BytesIO()
    with tempfile.TemporaryDirectory() as made, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        out = Path(made) / f"{run.name}-{format}"
        export_warp(open_rig(root), run, format, out=out, replace=False, correction=True)
        for path in sorted(out.rglob("*")):
            if path.is_file():
                archive.write(path, path.relative_to(out.parent).as_posix())
    return buffer.getvalue()


def _patient(talk: Talk) -> Say:
    """Send also while the pipe is full: a frame must not be lost."""

    def say(message: dict[str, Any], data: bytes = b"") -> bool:
        while not talk.say(message, data):
            if talk.broken:
                return False
            time.sleep(0.01)
        return True

    return say


def _done(asked: dict[str, Any], say: Say, display: list[PlayerDisplay]) -> dict[str, Any]:
    import rigwarp
    from rigwarp.files import plain_json

    with contextlib.suppress(AttributeError, OSError):
        os.nice(5)  # the show goes first
    rig = rigwarp.open_rig(Path(asked["rig"]), progress=Told(say))
    if asked.get("player") and asked["job"] != "camera":
        display.append(PlayerDisplay(rig.folder.rig.projector.resolution, say))
    shown = display[0] if display else asked.get("display")
    made: dict[str, Any] = plain_json(run_job(rig, asked["job"], display=shown, say=say))  # NaN is no JSON
    return made


if __name__ == "__main__":
    sys.exit(main())
