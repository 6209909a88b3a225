"""A small rig folder with a result that is current, and others to swap in."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from rigwarp.files import make_current, new_run, open_rig, write_prewarp
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Prewarp, build_prewarp
from rigwarp.rig import Content

WIDTH, HEIGHT = 320, 180


def simple_prewarp(content: Content, shift_mm: float = 0.0, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Prewarp:
    """A map 384 mm wide with a slight bend; the middle pixel lands `shift_mm` right of the table's middle."""
    v, u = np.mgrid[: size[1], : size[0]] * (WIDTH / size[0])
    x = (u - WIDTH / 2) * 1.2 + 3.0 * np.sin(v / 40) + shift_mm
    y = (HEIGHT / 2 - v) * 1.2 + 2.0 * np.cos(u / 50)
    table_map = PixelMap(
        x_mm=x,
        y_mm=y,
        sigma_mm=np.full(x.shape, 0.01),
        zone=np.zeros(x.shape, np.int16),
        measured=np.ones(x.shape, bool),
    )
    return build_prewarp(table_map, content, 2.2)


def make_rig(root: Path, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Path:
    """A rig folder with a current result, and a projector of so many pixels."""
    root.mkdir()
    text = Path(__file__).with_name("small_rig.toml").read_text()
    (root / "rig.toml").write_text(text.replace("[320, 180]", str(list(size))))
    add_result(root, 0.0)
    return root


def add_result(root: Path, shift_mm: float, *, current: bool = True, resolution: tuple[int, int] | None = None) -> Path:
    """Another finished result."""
    folder = open_rig(root)
    prewarp = simple_prewarp(folder.rig.content, shift_mm, folder.rig.projector.resolution)
    if resolution is not None:
        width, height = resolution
        prewarp = replace(
            prewarp,
            projector_resolution=resolution,
            gain=np.ones((height, width), np.float32),
            zone=np.zeros((height, width), np.int16),
            canvas_px=None,
        )
    with new_run(root / "results", "made for a test", folder) as run:
        write_prewarp(run / "prewarp.npz", prewarp)
    if current:
        make_current(root, run)
    return run
