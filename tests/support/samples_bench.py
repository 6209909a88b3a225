"""A small bench of mirror samples in a folder: seconds a cycle, with the offcut box's pieces."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigwarp.jobs.samples.bench_folder import BenchFolder, create_bench
from rigwarp.samples.cycle import CycleFigures
from rigwarp.samples.leg import Leg
from rigwarp.simulation.samples import BenchTruth

OPENING_MM, CAMERA_PX = 30, 330


@dataclass(frozen=True, kw_only=True)
class MeasuredCycle:
    """A bench folder with one cycle of polystyrene-a, what the command said, its legs and figures, and the truth."""

    folder: BenchFolder
    said: dict[str, Any]
    legs: dict[str, Leg]
    figures: CycleFigures
    truth: BenchTruth
    run: Path


def small_bench(root: Path) -> Path:
    """The offcut box with a smaller opening and camera."""
    create_bench(root, virtual=True)
    for name in ("bench.toml", "virtual_samples.toml"):
        text = (root / name).read_text(encoding="utf-8")
        text = re.sub(r"opening_mm = \[36, 36\]", f"opening_mm = [{OPENING_MM}, {OPENING_MM}]", text)
        text = re.sub(r"resolution = \[350, 350\]", f"resolution = [{CAMERA_PX}, {CAMERA_PX}]", text)
        (root / name).write_text(text, encoding="utf-8")
    return root
