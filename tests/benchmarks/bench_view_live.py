"""What the straight top view costs beside one bare remap, in the same minute on the same machine.

A bare `cv2.remap` of one 1080 x 1080 RGB picture with fixed-point maps is 1. Two flat wings that see a fifth of the
table both; and the camera's picture written into a ring and read from it. Medians of interleaved rounds. Then pictures
come 30 times a second, are straightened, blended and handed to a ring: how old they are then.
"""

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]
from run import alone  # noqa: E402
from two_wings import TwoWings, top  # noqa: E402

from rigwarp.live.view.player import CameraFeed, ViewShown, play_view  # noqa: E402
from rigwarp.live.view.ring import FrameRing, RingReader  # noqa: E402
from rigwarp.view.top import TopMaps, build_top  # noqa: E402

ROUNDS = 60
PERIOD_S, PICTURES = 1.0 / 30.0, 150
MARGIN_MS = 10.0  # beyond one period of the camera
WANTED = 1.5  # times a bare remap
OVERLAP_MM = 108.0  # 20 % of the view's width


def two_wings_top() -> TopMaps:
    """Wings that fall by 15 degrees, cut so that they share a strip in the middle."""
    wings = TwoWings(rise_deg=-15.0, size=(1920, 1080), focal_px=700.0)
    view = wings.view_map()
    far = np.where(view.zone == 0, view.x_mm < -OVERLAP_MM / 2, view.x_mm > OVERLAP_MM / 2)
    for name in ("x_mm", "y_mm", "sigma_mm", "lean_x", "lean_y"):
        getattr(view, name)[far] = np.nan
    view.zone[far] = -1
    view.measured[far] = False
    return build_top(view, top(size_mm=(540.0, 540.0), mm_per_pixel=0.5))


class Ticking:
    """A camera with a new picture every period."""

    frame_s = PERIOD_S

    def __init__(self, picture: NDArray[np.uint8]) -> None:
        self._picture, self._next_s = picture, time.monotonic()

    def after(self, moment_s: float, *, newest: bool = False) -> tuple[NDArray[np.uint8], float]:
        while self._next_s <= max(moment_s, time.monotonic() - PERIOD_S):
            self._next_s += PERIOD_S
        time.sleep(max(self._next_s - time.monotonic(), 0.0))
        return self._picture, self._next_s

    def close(self) -> None:
        pass


def ages(frame: NDArray[np.uint8], maps: TopMaps, folder: str) -> ViewShown:
    """Of pictures that were straightened and handed on."""
    feed = CameraFeed(lambda: Ticking(frame), (frame.shape[1], frame.shape[0]))
    ring, left = FrameRing(f"{folder}/live", maps.apply(frame, blend=True).shape, about={}), iter(range(PICTURES))
    shown = play_view(feed, maps, [ring], blend=True, go_on=lambda: next(left, None) is not None)
    ring.close()
    return shown


def measure() -> dict[str, Any]:
    """Ratios to the bare remap."""
    cv2.setNumThreads(1)
    maps = two_wings_top()
    frame = np.random.default_rng(1).integers(0, 256, (1080, 1920, 3), dtype=np.uint8)
    frame = cv2.GaussianBlur(frame, (0, 0), 3)
    grid = np.meshgrid(np.linspace(100, 1800, 1080, dtype=np.float32), np.linspace(20, 1060, 1080, dtype=np.float32))
    bare = cv2.convertMaps(*grid, cv2.CV_16SC2)
    with tempfile.TemporaryDirectory() as folder:
        ring = FrameRing(f"{folder}/ring", frame.shape, about={})
        reader = RingReader(f"{folder}/ring")
        jobs = {
            "bare": lambda: cv2.remap(frame, *bare, cv2.INTER_LINEAR),
            "seamed": lambda: maps.apply(frame),
            "blended": lambda: maps.apply(frame, blend=True),
            "ring_write": lambda: ring.show(frame, 0.0),
            "ring_read": reader.newest,
        }
        seconds: dict[str, list[float]] = {name: [] for name in jobs}
        for _ in range(ROUNDS):
            for name, job in jobs.items():
                began = time.perf_counter()
                job()
                seconds[name].append(time.perf_counter() - began)
        ring.close()
        live = ages(frame, maps, folder)
    median = {name: float(np.median(values)) for name, values in seconds.items()}
    ratios = {name: value / median["bare"] for name, value in median.items() if name != "bare"}
    box = maps.box
    return {
        "bare_ms": 1e3 * median["bare"],
        "ratios": ratios,
        "overlap": (box[2] - box[0]) * (box[3] - box[1]) / maps.zone.size,
        "seen": maps.seen,
        "age_ms": live.age_ms,
        "age_p95_ms": live.age_p95_ms,
        "held": {
            f"two blended wings at most {WANTED} bare remaps": ratios["blended"] <= WANTED,
            "95 % of the pictures at most a camera period and 10 ms old": live.age_p95_ms <= 1e3 * PERIOD_S + MARGIN_MS,
        },
    }


if __name__ == "__main__":
    sys.exit(alone("view_live", measure))
