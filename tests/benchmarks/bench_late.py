"""How late frames come while the player is attacked from afar: each show is a whole `play`, at 60 frames a second.

    python tests/benchmarks/bench_late.py [--json] [--cells PATTERN ...]

A 720p video plays through a 1080p warp, drawn by the CPU into memory, and after every frame the loop waits for the next
sixtieth of a second, as for a display. Then comes what the cell is named after, and two seconds later the video again.
"longest_ms" is the longest time from frame to frame meanwhile; wanted are two periods, 33 ms. "nothing" is the measure
of the machine: what is longer there is not the attack's doing.
"""

import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from fnmatch import fnmatch
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
import run

os.environ.setdefault("SDL_VIDEODRIVER", "offscreen")
os.environ.setdefault("SDL_AUDIODRIVER", "dummy")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import attacked_rig
import coded_video

from rigwarp.files import open_rig
from rigwarp.jobs.play import Drawing, PlayOptions, opened_show, play_show
from rigwarp.jobs.progress import SILENT
from rigwarp.live.run.statistics import Pacing
from rigwarp.live.run.unattended import resident_mib
from rigwarp.scenarios import create_rig

PERIOD_S = 1.0 / 60.0
WANTED_PERIODS = 2.0
WARM_S, ATTACK_S, AFTER_S = 3.0, 2.0, 2.0
FLOOD = """
import socket, sys, time
sender, end = socket.socket(socket.AF_INET, socket.SOCK_DGRAM), time.monotonic() + float(sys.argv[2])
while time.monotonic() < end:
    sender.sendto(b"\\1" * 65_000, ("127.0.0.1", int(sys.argv[1])))
"""


def osc(address: str, text: str) -> bytes:
    """A message with one string (Open Sound Control 1.0): everything ends with a zero and fills four bytes."""
    parts = (address.encode(), b",s", text.encode())
    return b"".join(part + b"\0" * (4 - len(part) % 4) for part in parts)


def show(port: int, name: object) -> None:
    """Ask the player for a source."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(osc("/rigwarp/show", str(name)), ("127.0.0.1", port))


def attacks(folder: Path) -> dict[str, Callable[[int], object]]:
    """What is done to the player that listens at a port."""
    noise = np.random.default_rng(1).integers(0, 255, (400, 600, 3), dtype=np.uint8)
    cv2.imwrite(str(folder / "large.jpg"), cv2.resize(noise, (6000, 4000), interpolation=cv2.INTER_CUBIC))
    cv2.imwrite(str(folder / "bomb.png"), np.zeros((9_999, 9_999), np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    os.mkfifo(folder / "pipe.png")
    silent = socket.create_server(("127.0.0.1", 0))  # takes connections and says nothing
    stream = f"http://127.0.0.1:{silent.getsockname()[1]}/silent.mjpg"
    return {
        "nothing": lambda port: silent,
        "24 MP JPEG": lambda port: show(port, folder / "large.jpg"),
        "PNG of 100 MP in 100 kB": lambda port: show(port, folder / "bomb.png"),
        "FIFO": lambda port: show(port, folder / "pipe.png"),
        "silent stream": lambda port: show(port, stream),
        "flood of 65 kB datagrams": lambda port: subprocess.Popen(
            [sys.executable, "-c", FLOOD, str(port), str(ATTACK_S)]
        ),
    }


def attacked(rig: Path, video: Path, attack: Callable[[int], object]) -> dict[str, Any]:
    """The figures of one show."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    flips: list[float] = []
    memory: list[float] = []
    flipped = Pacing.flipped

    def paced(pacing: Pacing, now_s: float, *, fresh: bool) -> None:
        flipped(pacing, now_s, fresh=fresh)
        time.sleep(PERIOD_S - time.monotonic() % PERIOD_S)
        flips.append(time.monotonic())
        if len(flips) % 15 == 0:
            memory.append(resident_mib())

    def script() -> None:
        while not flips or time.monotonic() - flips[0] < WARM_S:
            time.sleep(0.05)
        begun.append(time.monotonic())
        left = attack(port)
        time.sleep(ATTACK_S)
        show(port, video)
        time.sleep(AFTER_S)
        begun.append(time.monotonic())
        if isinstance(left, subprocess.Popen):
            left.wait()

    begun: list[float] = []
    thread = threading.Thread(target=script, daemon=True)
    options = PlayOptions(
        name=str(video), drawing=Drawing.cpu, remote_port=port, seconds=WARM_S + ATTACK_S + AFTER_S + 4.0
    )
    with mock.patch.object(Pacing, "flipped", paced), opened_show(SILENT, open_rig(rig), options) as opened:
        thread.start()
        shown = play_show(SILENT, opened)
    thread.join()
    within = [time_s for time_s in flips if begun[0] <= time_s <= begun[1]]
    gaps_ms = 1e3 * np.diff(within)
    return {
        "longest_ms": float(gaps_ms.max()),
        "late": int(np.sum(gaps_ms > 1e3 * PERIOD_S * (WANTED_PERIODS + 0.1))),
        "frames": len(gaps_ms),
        "largest_mib": max(memory),
        "counts": {key: shown.statistics[key] for key in ("refused", "overrun", "malformed")},
    }


def measure(*, cells: list[str] | None = None) -> dict[str, Any]:
    """All figures."""
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        create_rig("round-table", folder / "rig")
        attacked_rig.add_result(folder / "rig")
        coded_video.write_video(folder / "video.mp4", 120, (1280, 720))
        found = {
            name: attacked(folder / "rig", folder / "video.mp4", attack)
            for name, attack in attacks(folder).items()
            if not cells or any(fnmatch(name, pattern) for pattern in cells)
        }
    limit_ms = 1e3 * PERIOD_S * (WANTED_PERIODS + 0.1)
    held = {f"{name}: no frame later than two periods": one["longest_ms"] <= limit_ms for name, one in found.items()}
    return {**found, "held": held}


if __name__ == "__main__":
    sys.exit(run.alone("late", measure))
