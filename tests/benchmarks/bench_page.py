"""What the page beside the table costs the show: late frames with four tablets looking on, against none.

    python tests/benchmarks/run.py page [--cells PATTERN ...] [--jobs N]

Cells are "cpu/scene", "cpu/video", "gl/scene" and "gl/video": by what is drawn, and what plays (a scene that never
stands still, a video of 30 frames a second). In each, two whole `rigwarp play --page` draw into memory side by side,
each on cores of its own. They take turns: of one, four tablets get the state and a new picture ten times a second;
nobody looks at the other, so that neither the cores nor what else the machine does tells them apart. Then one
tablet moves the content, and at last the pages' processes are killed, each every 20 s. The players count their late
frames themselves. RIGWARP_PAGE_SECONDS is the length of a while (5), of which there are four; with --jobs, cells are
measured at the same time and share the cores out. "late_more_points": percentage points of late frames that there are
more with tablets, with the standard error that so few late frames have (at least: they come in bursts). "tap_ms" is
from sending a command until the answer that it was carried out in a frame; "back_s" is from the kill until the page
serves the state of that moment, and "kills" counts frames of five seconds from each, in which another spare process
starts.
"""

import asyncio
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Sequence
from contextlib import ExitStack, closing
from fnmatch import fnmatch
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import run

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "live"))

import result_rig
from tornado import httpclient, websocket

from rigwarp.files.page_key_file import page_keys

CELLS = ("cpu/scene", "cpu/video", "gl/scene", "gl/video")
SIZES = {"cpu": (1280, 720), "gl": (1920, 1080)}
VIDEO_SIZE = (1280, 720)
"""Without a GPU it fills two cores, and frames are late without any page."""
WHILES, CLIENTS, KILLS, KILL_EVERY_S, AFTER_KILL_S = 4, 4, 5, 20.0, 5.0
VIDEO_HZ, VIDEO_S = 30, 5
MORE_LATE = 0.001
"""A share of the frames: at most so much more with tablets than without."""
FRAME_S = 1.0 / 50.0
BACK_S = 3.0
Counts = np.ndarray[Any, np.dtype[np.int64]]


def moving(time_s: float, drawing: Any) -> None:
    """A disc that goes round."""
    drawing.circle((100.0 * np.cos(time_s), 100.0 * np.sin(time_s)), 20.0, width_mm=None)


def write_video(path: Path, size: tuple[int, int]) -> None:
    """Five seconds in which everything moves."""
    grain = np.random.default_rng(18).integers(0, 256, (size[1] // 8, size[0] // 8, 3), np.uint8)
    picture = cv2.resize(grain, size, interpolation=cv2.INTER_CUBIC)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), VIDEO_HZ, size)
    for number in range(VIDEO_HZ * VIDEO_S):
        writer.write(np.roll(picture, 4 * number, axis=1))
    writer.release()


class Player:
    """`rigwarp play --page` in a process of its own, on cores of its own."""

    def __init__(self, root: Path, drawing: str, source: Sequence[str], cores: Sequence[int]) -> None:
        words = ["play", str(root), *source, "--page", "0", "--draw", drawing, "--fast"]
        paths = os.pathsep.join([str(Path(__file__).parent), *sys.path])
        drawn = {"SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy", "COLUMNS": "500", "PYTHONPATH": paths}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rigwarp.cli", *words],
            env={**os.environ, **drawn},
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=partial(os.sched_setaffinity, 0, cores),  # before it starts threads and the page
        )
        assert self.process.stderr is not None
        said = ""
        while "drawn by" not in said:
            if not (line := self.process.stderr.readline()):
                raise RuntimeError(f"the player has ended: {said[-400:]}")
            said += line
        self.at = f"127.0.0.1:{int(said.split('The page is at http://127.0.0.1:')[1].split('/')[0])}"
        self.drawn_by = said.split("drawn by ")[1].split(";")[0]
        self.key = page_keys(root).operate

    def counts(self) -> Counts:
        """Frames shown, late, and pictures dropped, so far."""
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline:
            request = urllib.request.Request(f"http://{self.at}/state", headers={"Authorization": f"Bearer {self.key}"})
            try:
                with urllib.request.urlopen(request, timeout=5.0) as answer:
                    found = json.load(answer)
            except OSError:
                found = {}
            if found.get("fresh"):
                return np.array([found["state"][name] for name in ("shown", "late", "dropped")])
            time.sleep(0.02)
        raise RuntimeError("the player does not answer")

    def page(self) -> int:
        """The process that serves: of the player's children the eldest; another one waits to take its place."""
        tasks = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        born = {int(Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()[19]): int(one)
                for task in tasks for one in task.read_text().split()}  # fmt: skip
        return born[min(born)]

    def close(self) -> None:
        """End it, as Ctrl-C does; a machine with too much to do does not wait for it."""
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()


async def tablet(player: Player, seconds: float, taps_ms: list[float] | None) -> int:
    """One tablet: reads everything, and moves the content five times a second where taps are wanted; its pictures."""
    request = httpclient.HTTPRequest(f"ws://{player.at}/link", headers={"Origin": f"http://{player.at}"})
    socket = await websocket.websocket_connect(request)
    await socket.write_message(json.dumps({"key": player.key}))
    ends, number, sent, pictures = time.monotonic() + seconds, 0, 0.0, 0
    while time.monotonic() < ends:
        message = await asyncio.wait_for(socket.read_message(), 5.0)
        pictures += isinstance(message, bytes)
        if taps_ms is None:
            continue
        if isinstance(message, str) and message.startswith('{"done"'):
            taps_ms.append(1000.0 * (time.monotonic() - sent))
            sent = 0.0
        if not sent and message is not None and time.monotonic() < ends - 0.5:
            await asyncio.sleep(0.1)
            number, sent = number + 1, time.monotonic()
            await socket.write_message(json.dumps({"do": "shift", "values": [number % 5, 0], "number": number}))
    socket.close()
    while await socket.read_message() is not None:
        pass
    return pictures


async def tablets(player: Player, seconds: float) -> float:
    """Four of them at once; how many pictures a second each of them got."""
    found = await asyncio.gather(*(tablet(player, seconds, None) for _ in range(CLIENTS)))
    return sum(found) / len(found) / seconds


def take_turns(players: Sequence[Player], seconds: float) -> tuple[dict[str, Counts], list[float]]:
    """Whiles in which one player has tablets and the other has none; what was counted, and pictures a second."""
    counted = {name: np.zeros(3, np.int64) for name in ("calm", "tablets")}
    pictures = []
    for number in range(WHILES):
        looked_at, alone = players[number % 2], players[1 - number % 2]
        before = looked_at.counts(), alone.counts()
        pictures.append(asyncio.run(tablets(looked_at, seconds)))
        counted["tablets"] += looked_at.counts() - before[0]
        counted["calm"] += alone.counts() - before[1]
    return counted, pictures


def kill(player: Player) -> tuple[float, Counts]:
    """Kill the page's process; seconds until it is there again, and what happened to frames meanwhile and after."""
    before = player.counts()
    os.kill(player.page(), signal.SIGKILL)
    began = time.monotonic()
    player.counts()
    back_s = time.monotonic() - began
    time.sleep(max(AFTER_KILL_S - back_s, 0.0))
    return back_s, player.counts() - before


def measure(cells: Sequence[str] = ("*",), jobs: int = 1) -> dict[str, Any]:
    """Shares of late frames, taps, and how soon the page is back, for each way of drawing and each source."""
    wanted = [name for name in CELLS if any(fnmatch(name, cell) for cell in cells)]
    cores, at_once = sorted(os.sched_getaffinity(0)), min(jobs, len(wanted))
    each = max((len(cores) - at_once) // (2 * at_once), min(2, len(cores) // (2 * at_once)), 1)
    places = [[cores[(each * (2 * (n % at_once) + one) + k) % len(cores)] for k in range(each)]
              for n in range(len(wanted)) for one in (0, 1)]  # fmt: skip
    cases = [(name, (places[2 * n], places[2 * n + 1])) for n, name in enumerate(wanted)]
    found = dict(zip(wanted, run.spread(measure_one, cases, jobs), strict=True))
    held = {f"{name}: {what}": held for name in wanted for what, held in found[name].pop("held").items()}
    return {"cores_each": each, **found, "held": held}


def measure_one(case: tuple[str, tuple[Sequence[int], Sequence[int]]]) -> dict[str, Any]:
    """Two players from their start to their end."""
    name, places = case
    drawing, source = name.split("/")
    seconds = float(os.environ.get("RIGWARP_PAGE_SECONDS", "5"))
    every_s = min(2.0 * seconds, KILL_EVERY_S)
    taps_ms: list[float] = []
    kills: list[tuple[float, Counts]] = []
    with tempfile.TemporaryDirectory() as folder:
        words = ["--scene", "bench_page:moving"]
        if source == "video":
            words = [str(Path(folder) / "video.mp4")]
            write_video(Path(words[0]), VIDEO_SIZE)
        roots = [result_rig.make_rig(Path(folder) / f"rig{n}", SIZES[drawing]) for n in (0, 1)]
        with ExitStack() as running:
            players = [
                running.enter_context(closing(Player(root, drawing, words, cores)))
                for root, cores in zip(roots, places, strict=True)
            ]
            time.sleep(3.0)
            counted, pictures = take_turns(players, seconds)
            asyncio.run(tablet(players[0], min(seconds, 10.0), taps_ms))
            for _ in range(KILLS):
                time.sleep(max(every_s - 2 * AFTER_KILL_S, 0.0))
                kills += [kill(player) for player in players]
    found = figures({**counted, "kills": sum(one for _, one in kills)}, taps_ms, [back for back, _ in kills])
    return {"drawn_by": players[0].drawn_by, "pictures_per_second": float(np.mean(pictures)), **found}


def figures(counted: dict[str, Any], taps_ms: list[float], back_s: list[float]) -> dict[str, Any]:
    """What is reported of a cell."""
    share = {name: float(late / max(shown, 1)) for name, (shown, late, _) in counted.items()}
    error = sum((late + 1) / max(shown, 1) ** 2 for shown, late, _ in (counted["calm"], counted["tablets"])) ** 0.5
    more, tap_ms = share["tablets"] - share["calm"], float(np.quantile(taps_ms, 0.95))
    return {
        "frames": {name: int(shown) for name, (shown, _, _) in counted.items()},
        "late": {name: int(late) for name, (_, late, _) in counted.items()},
        "dropped": {name: int(dropped) for name, (_, _, dropped) in counted.items()},
        "late_more_points": 100.0 * more,
        "late_more_points_sigma": float(100.0 * error),
        "taps": len(taps_ms),
        "tap_ms": {"median": float(np.median(taps_ms)), "p95": tap_ms},
        "back_s": {"median": float(np.median(back_s)), "most": max(back_s), "kills": len(back_s)},
        "held": {
            "no picture dropped with four tablets": bool(counted["tablets"][2] == 0),
            "late frames at most 0.1 percentage points more with four tablets": more <= MORE_LATE,
            "no more late frames at kills than in calm whiles": share["kills"] <= share["calm"],
            "a tap is carried out within two frames and 50 ms (P95)": tap_ms <= 1000.0 * (2 * FRAME_S + 0.05),
            "the page is back within 3 s": max(back_s) <= BACK_S,
        },
    }


if __name__ == "__main__":
    sys.exit(run.alone("page", measure))
