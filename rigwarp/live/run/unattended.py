"""Running for months with nobody there: a log that does not grow, a sign of life, a bound on memory, a service file."""

import contextlib
import logging
import logging.handlers
import os
import shlex
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files import plain_json, write_text
from rigwarp.files.records import HeartbeatRecord
from rigwarp.live.run.statistics import Pacing
from rigwarp.talk.metrics import metrics_text, notify_service

BEAT_S = 5.0
_LOOK_S = 0.25
_LINE_LETTERS = 200
_LOG_BYTES, _OLD_LOGS = 1_000_000, 5
_WATCHDOG_S = 60
log = logging.getLogger(__name__)


class _BoundedLog(logging.handlers.RotatingFileHandler):
    """A log that a full disk interrupts and does not end; logging's own way is a traceback for every line."""

    def handleError(self, record: logging.LogRecord) -> None:
        """The line is lost."""

    def close(self) -> None:
        """What a full disk has not taken is lost, too."""
        with contextlib.suppress(OSError):
            super().close()


def open_log(path: Path) -> logging.Handler:
    """A log file; at 1 MB it is put aside, and five old ones are kept.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    try:
        handler = _BoundedLog(path, maxBytes=_LOG_BYTES, backupCount=_OLD_LOGS, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}). Check that the folder exists.") from error
    form = logging.Formatter("%(asctime)sZ %(levelname)s %(name)s: %(message)s", "%Y-%m-%dT%H:%M:%S")
    form.converter = time.gmtime
    handler.setFormatter(form)
    return handler


class Heartbeat:
    """Writes a small file, and tells systemd, every few seconds while frames are being shown.

    It is called from another thread than the frame loop's, and falls silent when the frame loop hangs.

    Parameters
    ----------
    pacing : the frame loop's counters.
    path : the file; None writes none.
    memory_limit_mib : resident memory above which `too_large` turns true.
    about : what else stands in the file.
    metrics : a file of figures for a monitoring system's collector, see `rigwarp.talk.metrics`.
    clock, wall : time since some moment, and since 1970.
    """

    def __init__(
        self,
        pacing: Pacing,
        *,
        path: Path | None = None,
        memory_limit_mib: float | None = None,
        about: Callable[[], Mapping[str, Any]] = dict,
        metrics: Path | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._pacing, self._path, self._limit = pacing, path, memory_limit_mib
        self._clock, self._wall, self._about, self._metrics = clock, wall, about, metrics
        self._last_s = -BEAT_S
        self._last_shown = -1
        self._complained: set[str] = set()
        self.too_large = False
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._beat_on, name="rigwarp-heartbeat", daemon=True)

    def __enter__(self) -> "Heartbeat":
        """Beat in a thread of its own, whatever else the player is busy with."""
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop."""
        self._ended.set()
        self._thread.join(timeout=5.0)

    def _beat_on(self) -> None:
        while not self._ended.wait(_LOOK_S):
            self.beat()

    def beat(self) -> None:
        """Call this often; something happens every `BEAT_S`."""
        now = self._clock()
        if now - self._last_s < BEAT_S:
            return
        self._last_s = now
        resident = resident_mib()
        if self._limit is not None and resident is not None and resident > self._limit:
            if not self.too_large:
                log.error(
                    "%.0f MiB of memory in use, %.0f allowed: stopping, to be started afresh", resident, self._limit
                )
            self.too_large = True
        shown = self._pacing.counts.shown
        if self._metrics is not None:
            up = shown != self._last_shown
            text = metrics_text(self._pacing.as_dict(), up=up, version=rigwarp.__version__, memory_mib=resident)
            self._write("metrics", partial(write_text, self._metrics, text, replace=True))
        if shown == self._last_shown:
            return  # the frame loop stands still: no sign of life
        self._last_shown = shown
        notify_service(f"WATCHDOG=1\nSTATUS={self._in_a_line()}")
        if self._path is not None:
            facts = {
                "unix_s": round(self._wall(), 1),
                "memory_mib": resident,
                **self._pacing.as_dict(),
                **self._about(),
            }
            self._write(
                "heartbeat", partial(HeartbeatRecord.from_dict(plain_json(facts)).write, self._path, replace=True)
            )

    def _in_a_line(self) -> str:
        """How things are, for `systemctl status`."""
        about, counts = self._about(), self._pacing.counts
        said = about.get("watch_warned") or about.get("watch") or ""
        doing, source = about.get("doing") or "playing", about.get("source") or "something unnamed"
        line = f"{doing}{' ' if doing == 'playing' else ': '}{source}, {counts.late} of {counts.shown} frames late"
        return " ".join(f"{line}. {said}".split())[:_LINE_LETTERS]

    def _write(self, what: str, write: Callable[[], object]) -> None:
        """Write a file; what fails is told once until it works again."""
        try:
            write()
            self._complained.discard(what)
        except InputError as error:  # a full disk must not end the show
            if what not in self._complained:
                log.warning("no %s: %s", what, error)
            self._complained.add(what)


def resident_mib() -> float | None:
    """Memory that this process holds, in MiB; None where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return round(pages * os.sysconf("SC_PAGE_SIZE") / 2**20, 1)


def service_text(arguments: Sequence[str], *, folder: Path, memory_limit_mib: float | None = None) -> str:
    """A systemd user unit that plays as long as the desktop session lasts, and starts again whatever happens.

    It may wait for the projector for ever before it is ready, so starting has no time limit.

    Parameters
    ----------
    arguments : of `rigwarp play`, as on the command line, with absolute paths.
    folder : the working folder, in which scenes are looked for.
    memory_limit_mib : beyond it systemd ends and restarts the player.

    Raises
    ------
    InputError
        A word holds what would be more than a word to systemd: a line break would be another line of the unit.
    """
    for word in (*arguments, str(folder)):
        # systemd takes backslashes for escapes in commands, where they are doubled, but not in WorkingDirectory
        if not word.isprintable() or (word == str(folder) and "\\" in word):
            raise InputError(
                f"{word!r}: found a line break or another character that a systemd unit cannot hold, expected a plain "
                "name. Rename the folder or file."
            )
    words = [sys.executable, "-m", "rigwarp.cli", "play", *arguments]
    command = " ".join(_escaped(shlex.quote(word)).replace("$", "$$") for word in words)
    memory = f"MemoryMax={memory_limit_mib:.0f}M\n" if memory_limit_mib else ""
    return f"""[Unit]
Description=Content on the table, by rigwarp
After=graphical-session.target
PartOf=graphical-session.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
WorkingDirectory={_escaped(str(folder))}
ExecStart={command}
Restart=always
RestartSec=3
TimeoutStartSec=infinity
TimeoutStopSec=15
WatchdogSec={_WATCHDOG_S}
{memory}
[Install]
WantedBy=graphical-session.target
"""


def write_service(path: Path, arguments: Sequence[str], *, memory_limit_mib: float | None = None) -> None:
    """Write the unit of `service_text` for the present working folder; nothing is overwritten.

    Raises
    ------
    InputError
        As there; or the file is there, cannot be written, or has a name that systemctl does not take in one line.
    """
    if not path.name.isprintable():
        raise InputError(
            f"{path.name!r}: found a line break or another character that a unit's name cannot hold, expected a plain "
            "name. Choose another one."
        )
    write_text(path, service_text(arguments, folder=Path.cwd(), memory_limit_mib=memory_limit_mib))


def _escaped(word: str) -> str:
    """As systemd has to read it: backslashes and per cent signs mean something to it."""
    return word.replace("\\", "\\\\").replace("%", "%%")
