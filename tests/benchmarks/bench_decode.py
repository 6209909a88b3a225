"""Decoding a scan of a 1920 x 1080 camera and a 1280 x 720 projector: accuracy, rejection, speed and memory.

Two simulated scenes with known answers (tests/support/decode_scenes.py), each set of patterns. Beside it, in the same
run, OpenCV-contrib's GrayCodePattern.decode on its own kind of scan, in its own Python environment because it shares
the cv2 name: set RIGWARP_CONTRIB_PYTHON to a Python that has opencv-contrib-python.

Speed: captured megapixels (frames x camera pixels) per second, best of several runs, and per second of processor core,
which other work on the machine disturbs less; and, as a figure that hardly depends on the machine, how many times as
long as copying the photographs once, runs of both alternating. Memory: peak resident size above what the photographs
take (Linux), in MB of 10^6 bytes.
"""

import contextlib
import ctypes
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

from decode_scenes import CAMERA, NOISE, PROJECTOR, clean_scene, hard_scene, judge  # noqa: E402
from synthetic_scan import photograph  # noqa: E402

from rigwarp import patterns as sets  # noqa: E402
from rigwarp.decode import Decoder, decode  # noqa: E402

_RUNS = 7
_CONTRIB = "RIGWARP_CONTRIB_PYTHON"
_MB = 1e6


def measure() -> dict[str, Any]:
    """Every figure, and which targets hold."""
    found: dict[str, Any] = {}
    for name, make in _sets().items():
        patterns = make(PROJECTOR, 2.2)
        found[name] = {"frames": len(patterns.frames)}
        for scene_name, scene in (("clean", clean_scene()), ("hard", hard_scene())):
            photos = photograph(scene.scene, patterns, rng=np.random.default_rng(7), noise=NOISE, response=1.0)
            timing = _time(photos, patterns)
            found[name][scene_name] = judge(scene, patterns, decode(photos, patterns), photos) | timing
    found["contrib_gray_code"] = _contrib()
    if isinstance(found["contrib_gray_code"], dict):
        ours, peer = found["gray"]["clean"], found["contrib_gray_code"]
        peer["ours_times_as_fast"] = ours["captured_mpx_per_s"] / peer["captured_mpx_per_s"]
    found["held"] = _held(found["fast"])
    return found


def _sets() -> dict[str, Any]:
    return dict(sets.SETS)


def _held(fast: dict[str, Any]) -> dict[str, bool]:
    clean, hard = fast["clean"], fast["hard"]
    return {
        "clean: std / bound <= 1.10": clean["std_over_bound"] <= 1.10,
        "clean: z spread 0.97 to 1.03": 0.97 <= clean["z_spread"] <= 1.03,
        "hard: precision >= 0.998": hard["precision"] >= 0.998,
        "hard: recall >= 0.99": hard["recall"] >= 0.99,
        "hard: wrong by > 4 px <= 1e-4": hard["wrong_by_4px"] <= 1e-4,
        "hard: two-path >= 10 % rejected >= 95 %": hard["two_path_rejected"] >= 0.95,
        "hard: result within 1 s of the last frame": hard["seconds_after_last_frame"] <= 1.0,
        "hard: >= 1000 captured Mpx/s": hard["captured_mpx_per_s"] >= 1000,
        "hard: <= 80 MB above the photographs": (hard["peak_mb_above_stack"] or 0) <= 80,
    }


def _time(photos: list[Any], patterns: Any) -> dict[str, float | None]:
    captured = len(photos) * photos[0].size / 1e6
    decode(photos, patterns)  # tables are made once per process
    seconds, core_seconds, copying = [], [], []
    for _ in range(_RUNS):
        copying.append(_copy(photos))
        start, start_core = time.perf_counter(), time.process_time()
        decode(photos, patterns)
        seconds.append(time.perf_counter() - start)
        core_seconds.append(time.process_time() - start_core)
    return {
        "seconds": min(seconds),
        "seconds_median": float(np.median(seconds)),
        "core_seconds": min(core_seconds),
        "captured_mpx_per_s": captured / min(seconds),
        "captured_mpx_per_core_s": captured / min(core_seconds),
        "times_a_plain_copy": min(core_seconds) / min(copying),
        "seconds_after_last_frame": _streamed(photos, patterns),
        "peak_mb_above_stack": _peak_mb(lambda: decode(photos, patterns)),
    }


def _copy(photos: list[Any]) -> float:
    """Processor seconds for one plain copy of all photographs."""
    target = np.zeros_like(photos[0])
    start = time.process_time()
    for photo in photos:
        np.copyto(target, photo)
    return time.process_time() - start


def _streamed(photos: list[Any], patterns: Any) -> float:
    """How long the result takes after the last photograph, when the others have come before."""
    waits = []
    for _ in range(_RUNS):
        decoder = Decoder(patterns)
        for photo in photos:
            decoder.add(photo)
        start = time.perf_counter()
        decoder.finish()
        waits.append(time.perf_counter() - start)
    return min(waits)


def _peak_mb(work: Any) -> float | None:
    """How far the resident size rises while `work` runs; None where the system does not tell."""
    try:
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)  # what earlier runs have freed would hide what this one takes
        Path("/proc/self/clear_refs").write_text("5")  # resets the high-water mark
        before = _status_kb("VmRSS")
        kept = work()
        del kept
        return (_status_kb("VmHWM") - before) * 1024 / _MB
    except OSError:
        return None


def _status_kb(key: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key))


def _contrib() -> dict[str, Any] | str:
    python = os.environ.get(_CONTRIB)
    if not python:
        return f"not installed ({_CONTRIB} is not set)"
    script = _CONTRIB_SCRIPT.format(camera=CAMERA, projector=PROJECTOR, runs=_RUNS)
    made = subprocess.run([python, "-c", script], capture_output=True, text=True, check=False)
    return json.loads(made.stdout) if made.returncode == 0 else f"failed: {made.stderr.strip()[-200:]}"


# decode() wants two cameras; both see the same. The scene is the clean one without its bend.
_CONTRIB_SCRIPT = """
import json, time
import cv2, numpy as np
(width, height), projector = {camera}, {projector}
pattern = cv2.structured_light.GrayCodePattern.create(*projector)
frames = list(pattern.generate()[1])
black, white = pattern.getImagesForShadowMasks(np.zeros(projector[::-1], np.uint8), np.zeros(projector[::-1], np.uint8))
row, column = np.mgrid[:height, :width].astype(np.float32)
u, v = column / width * (projector[0] - 1), row / height * (projector[1] - 1)
inside = ((column / width - 0.5) / 0.49) ** 2 + ((row / height - 0.5) / 0.435) ** 2 < 1
random = np.random.default_rng(7)
def seen(picture):
    light = 0.03 + 0.5 * inside * cv2.remap(picture, u, v, cv2.INTER_NEAREST) / 255.0
    return np.clip(255 * light + 1.5 * random.standard_normal(light.shape), 0, 255).round().astype(np.uint8)
photos = [seen(frame) for frame in frames]
black, white = seen(black), seen(white)
seconds = []
for _ in range({runs}):
    start = time.perf_counter()
    pattern.decode([photos, photos], blackImages=[black, black], whiteImages=[white, white])
    seconds.append(time.perf_counter() - start)
captured = 2 * (len(photos) + 2) * width * height / 1e6
print(json.dumps(dict(version=cv2.__version__, frames=len(photos) + 2, cameras=2, seconds=min(seconds),
                      captured_mpx_per_s=captured / min(seconds))))
"""


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("decode", measure))
