"""`camera` from fifteen photographs of the hand-held board and one of the sheet on the table, as files.

    taskset -c 0,1 python tests/benchmarks/run.py camera [--cells 2 24]

The board is drawn by OpenCV and seen by a pinhole, tilted about 30 degrees each way, with noise. Cells are megapixels.
Seconds are those on the clock; beside them stand those of the processor.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_rigs import CONVEX_TEXT

from rigwarp.camera.boards.board import charuco_board
from rigwarp.files import open_rig
from rigwarp.files.names import RIG_FILE
from rigwarp.geometry import Array
from rigwarp.jobs.bench.camera import calibrate_camera
from rigwarp.jobs.progress import SILENT
from rigwarp.rig import parse_rig

_CASES = {"2": ((1920, 1080), 5.0), "24": ((6000, 4000), 20.0)}  # pixels of a photograph, wanted seconds
_HELD = 15
_BOARD_MM = (360.0, 252.0)
_PX_PER_MM = 8.0
_FOCAL = 1.1  # picture widths
_TILT, _AWAY_MM = np.radians(30.0), (430.0, 600.0)
_NOISE = 1.5  # codes
_MOST_OFF = 1e-3  # of the focal length


def measure(cells: Sequence[str] = ("*",)) -> dict[str, Any]:
    """Seconds, and how far the focal length is off."""
    figures: dict[str, Any] = {}
    held = {}
    for case, (resolution, wanted_s) in _CASES.items():
        if "*" in cells or case in cells:
            found = figures[case] = _one(resolution)
            held[f"{case} Mpx: in {wanted_s:g} s"] = found["seconds"] <= wanted_s
            held[f"{case} Mpx: focal length within {_MOST_OFF:g}"] = found["focal_off"] <= _MOST_OFF
    return {**figures, "held": held}


def _one(resolution: tuple[int, int]) -> dict[str, float]:
    rng = np.random.default_rng(3)
    target = parse_rig(CONVEX_TEXT).target
    assert target is not None
    size_px = tuple(round(n * _PX_PER_MM) for n in _BOARD_MM)
    board = np.asarray(charuco_board(target).generateImage(size_px), np.uint8)
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        (root / RIG_FILE).write_text(CONVEX_TEXT.replace("[960, 540]", str(list(resolution))), encoding="utf-8")
        (root / "held").mkdir()
        for number in range(_HELD):
            turn = np.append(rng.uniform(-_TILT, _TILT, 2), rng.uniform(-0.3, 0.3))
            middle = np.append(rng.uniform([-90.0, -50.0], [90.0, 50.0]), rng.uniform(*_AWAY_MM))
            cv2.imwrite(str(root / "held" / f"{number:02d}.png"), _photo(board, turn, middle, resolution, rng))
        lying = _photo(board, np.array([0.05, -0.04, 0.02]), np.array([0.0, 0.0, 500.0]), resolution, rng)
        cv2.imwrite(str(root / "table.png"), lying)
        folder, clock, processor = open_rig(root), time.perf_counter(), time.process_time()
        made = calibrate_camera(SILENT, folder, lens=root / "held", table=root / "table.png")
        seconds, processor = time.perf_counter() - clock, time.process_time() - processor
    assert made.lens is not None
    focal_off = abs(float(made.lens.matrix[0, 0]) / (_FOCAL * resolution[0]) - 1.0)
    return {"seconds": seconds, "cpu_s": processor, "focal_off": focal_off, "used": float(len(made.lens.used))}


def _photo(
    board: NDArray[np.uint8], turn: Array, middle_mm: Array, resolution: tuple[int, int], rng: np.random.Generator
) -> NDArray[np.uint8]:
    width, height = resolution
    camera = np.array(
        [[_FOCAL * width, 0.0, (width - 1) / 2], [0.0, _FOCAL * width, (height - 1) / 2], [0.0, 0.0, 1.0]]
    )
    R = cv2.Rodrigues(turn)[0]
    corner_mm = middle_mm - R @ np.append(np.array(_BOARD_MM) / 2.0, 0.0)
    to_mm = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, _PX_PER_MM]]) / _PX_PER_MM
    view = camera @ np.column_stack([R[:, :2], corner_mm]) @ to_mm
    seen = cv2.warpPerspective(board, view, resolution, flags=cv2.INTER_AREA, borderValue=200)
    noisy = 0.8 * cv2.GaussianBlur(seen, (0, 0), 0.7) + 20.0 + rng.normal(scale=_NOISE, size=seen.shape)
    return np.rint(np.clip(noisy, 0, 255)).astype(np.uint8)


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("camera", measure))
