"""The table top as the camera sees it: how much of it each pixel holds, and its gently uneven reflectance."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Table
from rigwarp.simulation.lens import TableView

_WAVES = 24
_WAVELENGTHS_MM = (12.0, 160.0)  # of the cloudiness of paint or paper


def on_table_top(table: Table, margin_mm: float, x_mm: Array, y_mm: Array) -> BoolArray:
    """Is a spot on the table top, which reaches `margin_mm` beyond the area where light is wanted?"""
    half = np.array(table.size_mm) / 2 + margin_mm
    with np.errstate(invalid="ignore"):
        if table.shape == "circle":
            return (x_mm / half[0]) ** 2 + (y_mm / half[1]) ** 2 <= 1.0
        return (np.abs(x_mm) <= half[0]) & (np.abs(y_mm) <= half[1])


def seen_area_mm2(view: TableView, resolution: tuple[int, int]) -> Array:
    """(H, W) area of the table plane within each camera pixel; NaN where a pixel looks past the table."""
    width, height = resolution
    u, v = np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5)
    x, y = view.to_table(u, v)
    ax, ay = x[1:, 1:] - x[:-1, :-1], y[1:, 1:] - y[:-1, :-1]
    bx, by = x[1:, :-1] - x[:-1, 1:], y[1:, :-1] - y[:-1, 1:]
    return 0.5 * np.abs(ax * by - ay * bx)


def reflectance(
    table: Table,
    view: TableView,
    resolution: tuple[int, int],
    *,
    albedo: float,
    texture: float,
    margin_mm: float,
    seed: int,
) -> NDArray[np.float32]:
    """(H, W) diffuse reflectance at pixel centres; 0 beside the table top, where the floor lies dark and far below."""
    width, height = resolution
    u, v = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    x, y = view.to_table(u, v)
    top = on_table_top(table, margin_mm, x, y)
    cloud = np.zeros(x.shape, np.float32)
    if texture > 0.0:
        x32, y32 = np.nan_to_num(x).astype(np.float32), np.nan_to_num(y).astype(np.float32)
        random = np.random.default_rng([seed, 0x7AB1E])
        for _ in range(_WAVES):
            length = np.exp(random.uniform(*np.log(_WAVELENGTHS_MM)))
            angle, phase = random.uniform(0.0, 2.0 * np.pi, 2)
            kx, ky = 2.0 * np.pi / length * np.cos(angle), 2.0 * np.pi / length * np.sin(angle)
            cloud += np.cos(np.float32(kx) * x32 + np.float32(ky) * y32 + np.float32(phase))
        cloud *= np.float32(texture * np.sqrt(2.0 / _WAVES))
    return np.where(top, np.float32(albedo) * (1.0 + cloud), 0.0).astype(np.float32)
