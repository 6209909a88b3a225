"""A small bench of mirror samples in a folder: seconds a cycle, with the offcut box's pieces."""

import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from rigwarp.jobs.samples.bench_folder import OFFCUT_BOX, BenchFolder
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


def small_bench(
    root: Path, *, opening_mm: int = OPENING_MM, camera_px: int = CAMERA_PX, per_pixel: float = 2.0
) -> Path:
    """The offcut box with a smaller opening and camera, of so many camera pixels per projector pixel; no pages."""
    root.mkdir()
    for name in ("bench.toml", "virtual_samples.toml"):
        text = resources.files("rigwarp.scenarios").joinpath(OFFCUT_BOX, name).read_text(encoding="utf-8")
        text = re.sub(r"opening_mm = \[36, 36\]", f"opening_mm = [{opening_mm}, {opening_mm}]", text)
        text = re.sub(r"resolution = \[350, 350\]", f"resolution = [{camera_px}, {camera_px}]", text)
        text = text.replace("full_reflectance =", f"camera_px = {per_pixel}\nfull_reflectance =")
        (root / name).write_text(text, encoding="utf-8")
    return root
