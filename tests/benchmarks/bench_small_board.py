"""What four slow cores without a GPU do: frames per second by the CPU, and the memory of `play` and `calibrate`.

OpenCV and NumPy are kept to a small board's width: SSE2 and SSE3 here, as NEON there (128 bits), without IPP, four
threads. How much slower than this machine's a board's cores are, "remap_ms" tells: time a bare `cv2.remap` there. The
rig is "round-table" with a projector of 720p or 1080p, drawn as `play` draws without a GPU; "picture" is a new picture
for every frame (one that stays costs nothing), "video" 720p MPEG-4, decoded and drawn one after the other (`play` does
both at once), "large_video" the same of 1080p, "h264_video" that as H.264 (where PyAV is), "scene" demos/clock.py. The
table that `calibrate` sees is simulated in another process, whose memory no board needs. "over_remap": a frame's time
over that of a bare `cv2.remap` of as many pixels.
For four cores alone:

    taskset -c 0-3 python tests/benchmarks/run.py small_board
"""

import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import run

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))

SIZES = {"720p": (1280, 720), "1080p": (1920, 1080)}
NARROW = {
    "OPENCV_CPU_DISABLE": "SSE4.1,SSE4.2,AVX,FP16,AVX2,AVX512-SKX",
    "OPENCV_IPP": "disabled",
    "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4 AVX512_ICL AVX512_SPR",
    "SDL_VIDEODRIVER": "offscreen",
    "PYTHONPATH": os.pathsep.join(
        [str(HERE.parents[1]), str(HERE.parents[1] / "demos"), *filter(None, [os.environ.get("PYTHONPATH")])]
    ),
}
PLAYED_S = "5"
PLAY_MB, CALIBRATE_MB = 250, 1000
HAS_AV = importlib.util.find_spec("av") is not None
_FRAMES = """
import itertools, json, statistics, sys, time
from pathlib import Path
import cv2, numpy as np
cv2.setNumThreads(4)
from clock import draw
from rigwarp.files import current_result, open_rig, read_prewarp
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.warp import warp_of
from rigwarp.live.sources.decoding import open_reader
from rigwarp.live.sources.source import SceneSource

rig = open_rig(Path("rig")).rig
warp = warp_of(read_prewarp(current_result(Path("rig")) / "prewarp.npz")).sampled("quick")
renderer = CpuRenderer(warp)
width, height = renderer.resolution
noise = np.random.default_rng(1).integers(0, 256, (rig.content.pixels[1], rig.content.pixels[0], 3), np.uint8)
v, u = np.mgrid[:height, :width].astype(np.float32)
maps = cv2.convertMaps(0.95 * u + 9 * np.sin(v / 90), 0.95 * v + 9 * np.cos(u / 120), cv2.CV_16SC2)
plain = np.random.default_rng(2).integers(0, 256, (height, width, 3), np.uint8)
scene, seconds = SceneSource(draw, rig.content), itertools.count()
video = itertools.chain.from_iterable(open_reader(Path("video.mp4")).frames() for _ in itertools.count())
work = {
    "remap": lambda: cv2.remap(plain, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT),
    "picture": lambda: renderer.render(noise),
    "video": lambda: renderer.render(next(video)[1]),
    "scene": lambda: renderer.render(scene.at(next(seconds) / 60)),
}
times = {name: [] for name in work}
for turn in range(25):
    for name, call in work.items():
        start = time.perf_counter()
        call()
        times[name].append(1e3 * (time.perf_counter() - start))
print(json.dumps({name: statistics.median(values[5:]) for name, values in times.items()}))
"""
_CALIBRATE = """
import sys
from multiprocessing import get_context
from pathlib import Path

def serve(pipe):
    from rigwarp.devices import open_virtual
    from rigwarp.files import open_rig
    virtual = open_virtual(open_rig(Path("rig")))
    things = {"display": virtual.display, "camera": virtual.camera}
    while (asked := pipe.recv()) is not None:
        thing, what, *arguments = asked
        value = getattr(things[thing], what)
        pipe.send(value(*arguments) if callable(value) else value)

class Far:
    def __init__(self, ask, resolution):
        self._ask, self.resolution, self.unlocked = ask, resolution, ()
    def close(self):
        pass

class FarDisplay(Far):
    def show(self, frame):
        self._ask("display", "show", frame)

class FarCamera(Far):
    exposure_s = property(lambda self: self._ask("camera", "exposure_s"))
    def set_exposure(self, seconds):
        return self._ask("camera", "set_exposure", seconds)
    def grab(self):
        return self._ask("camera", "grab")
    look = grab

if __name__ == "__main__":
    ours, theirs = get_context("spawn").Pipe()
    other = get_context("spawn").Process(target=serve, args=(theirs,), daemon=True)
    other.start()
    from rigwarp.cli import main
    from rigwarp.devices import Bench, bench
    def ask(*what):
        ours.send(what)
        return ours.recv()
    def far(folder, *_, **__):
        sizes = folder.rig.projector.resolution, folder.rig.camera.resolution
        return Bench(display=FarDisplay(ask, sizes[0]), camera=FarCamera(ask, sizes[1]))
    bench._virtual = far
    code = main(["calibrate", "rig", "--json"])
    ours.send(None)
    sys.exit(code)
"""


def in_process(arguments: list[str], folder: Path) -> tuple[str, float]:
    """Standard output and peak memory (MiB) of a Python process, its own children not counted.

    The kernel's own sum at the end (getrusage) would begin with what this process had in memory when it forked.
    """
    environment = {name: value for name, value in os.environ.items() if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
    peak_mib = 0.0
    with (folder / "said").open("w+b") as said:
        process = subprocess.Popen([sys.executable, *arguments], stdout=said, cwd=folder, env={**environment, **NARROW})
        status = Path(f"/proc/{process.pid}/status")
        while process.poll() is None:
            found = re.search(r"VmHWM:\s+(\d+) kB", status.read_text(encoding="ascii"))
            peak_mib = max(peak_mib, int(found[1]) / 1024 if found else 0.0)
            time.sleep(0.05)
        if process.returncode:
            raise RuntimeError(f"{arguments} ended with {process.returncode}")
        said.seek(0)
        return said.read().decode(), peak_mib


def prepared(folder: Path, size: tuple[int, int]) -> None:
    """The rig with a result, made of its design; a camera.json as it truly is; a video and a picture."""
    import attacked_rig
    import coded_video
    import cv2
    from whole_chain import true_camera

    from rigwarp.devices import open_virtual
    from rigwarp.files import open_rig, write_camera
    from rigwarp.scenarios import create_rig

    root = folder / "rig"
    create_rig("round-table", root)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    (root / "rig.toml").write_text(text.replace("= [1280, 720]", f"= {list(size)}", 1), encoding="utf-8")
    rig = open_rig(root)
    if rig.rig.projector.resolution != size:
        raise RuntimeError(f"the projector has {rig.rig.projector.resolution}, wanted {size}")
    write_camera(root / "camera.json", true_camera(rig, open_virtual(rig)))
    attacked_rig.add_result(root)
    coded_video.write_video(folder / "video.mp4", 60, (1280, 720))
    coded_video.write_video(folder / "large.mp4", 60, (1920, 1080))
    if HAS_AV:
        coded_video.write_h264(folder / "h264.mp4", 60, (1920, 1080))
    cv2.imwrite(str(folder / "picture.png"), coded_video.coded_frame(5, (1920, 1080)))


def one(cell: str) -> dict[str, Any]:
    """The figures of a cell."""
    name, what = cell.split("/")
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        prepared(folder, SIZES[name])
        if what == "frames":
            (folder / "frames.py").write_text(_FRAMES, encoding="utf-8")
            took_ms = json.loads(in_process(["frames.py"], folder)[0])
            remap_ms = took_ms.pop("remap")
            shown = {content: {"a_second": 1e3 / ms, "over_remap": ms / remap_ms} for content, ms in took_ms.items()}
            return {"remap_ms": remap_ms, **shown}
        if what == "calibrate":
            (folder / "calibrate.py").write_text(_CALIBRATE, encoding="utf-8")
            return {"peak_mib": in_process(["calibrate.py"], folder)[1]}
        files = {"picture": "picture.png", "video": "video.mp4", "large_video": "large.mp4", "h264_video": "h264.mp4"}
        source = [files[what]] if what in files else ["--scene", "clock:draw"]
        command = ["-m", "rigwarp.cli", "play", "rig", *source, "--draw", "cpu", "--seconds", PLAYED_S, "--json"]
        return {"peak_mib": in_process(command, folder)[1]}


def measure(*, cells: list[str] | None = None) -> dict[str, Any]:
    """All figures."""
    kinds = ("frames", "picture", "video", "large_video", *(["h264_video"] if HAS_AV else []), "scene", "calibrate")
    names = [f"{size}/{what}" for size in SIZES for what in kinds]
    found = {name: one(name) for name in names if not cells or any(fnmatch(name, pattern) for pattern in cells)}
    held = {}
    for name, figures in found.items():
        if "peak_mib" in figures:
            limit_mb = CALIBRATE_MB if name.endswith("calibrate") else PLAY_MB
            held[f"{name}: at most {limit_mb} MB"] = figures["peak_mib"] * 2**20 <= limit_mb * 1e6
    return {**found, "video_decoder": "PyAV" if HAS_AV else "OpenCV", "held": held}


if __name__ == "__main__":
    sys.exit(run.alone("small_board", measure))
