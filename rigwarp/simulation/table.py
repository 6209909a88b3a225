"""The real table: its surface, and its top as the camera sees it, of a gently uneven reflectance."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Table
from rigwarp.simulation.truth import RoomTruth

if TYPE_CHECKING:
    from rigwarp.simulation.lens import TableView

_ROUNDS = 6  # a bow of a millimetre changes the height by 1 % of a step aside: each round gains two digits
_WAVES = 24
_RIM_SAMPLES = 6  # squared, of a pixel across the table's edge: its light is right to a hundredth
_WAVELENGTHS_MM = (12.0, 160.0)  # of the cloudiness of paint or paper


@dataclass(frozen=True, kw_only=True)
class TableForm:
    """A plane at some height, level or tilted, or bowed like a shallow dish.

    z = height + tilt . (x, y) + bow (1 - (x / a)^2 - (y / b)^2) with half the table's sides a, b.
    """

    height_mm: float
    bow_mm: float
    half_mm: tuple[float, float]
    tilt: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def of(cls, table: Table, room: RoomTruth) -> "TableForm":
        """The table as built."""
        return cls(
            height_mm=table.height_mm + room.table_height_error_mm,
            bow_mm=room.table_bow_mm,
            half_mm=(table.size_mm[0] / 2.0, table.size_mm[1] / 2.0),
            tilt=room.table_tilt,
        )

    @classmethod
    def flat(cls, height_mm: float) -> "TableForm":
        """A plane."""
        return cls(height_mm=height_mm, bow_mm=0.0, half_mm=(1.0, 1.0))

    def z_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """Height of the surface, any shape; the same formula beyond the rim."""
        if self._flat:
            return np.full_like(x_mm, self.height_mm)
        share = (x_mm / self.half_mm[0]) ** 2 + (y_mm / self.half_mm[1]) ** 2
        plane = self.height_mm + self.tilt[0] * x_mm + self.tilt[1] * y_mm
        return plane + self.bow_mm * (1.0 - np.minimum(share, 4.0))

    def reach(self, start: tuple[Array, Array, Array], direction: tuple[Array, Array, Array]) -> Array:
        """Multiples of the directions at which rays meet the surface; of either sign, inf or NaN for level ones."""
        reach = (self.height_mm - start[2]) / direction[2]
        if self._flat:
            return reach
        for _ in range(_ROUNDS):
            z = self.z_mm(start[0] + reach * direction[0], start[1] + reach * direction[1])
            reach = (z - start[2]) / direction[2]
        return reach

    @property
    def _flat(self) -> bool:
        return self.bow_mm == 0.0 and self.tilt == (0.0, 0.0)


def on_table_top(table: Table, margin_mm: float, x_mm: Array, y_mm: Array) -> BoolArray:
    """Is a spot on the table top, which reaches `margin_mm` beyond the area where light is wanted?"""
    half = np.array(table.size_mm) / 2 + margin_mm
    with np.errstate(invalid="ignore"):
        if table.shape == "circle":
            return (x_mm / half[0]) ** 2 + (y_mm / half[1]) ** 2 <= 1.0
        return (np.abs(x_mm) <= half[0]) & (np.abs(y_mm) <= half[1])


class TableTop:
    """What each camera pixel sees of the table plane.

    Attributes
    ----------
    area_mm2 : (H, W) area within the pixel; NaN where it looks past the table plane.
    reflectance : (H, W) diffuse reflectance; 0 beside the table top, where the floor lies dark and far below, and where
        something dark stands in front of it (`hidden` tells for spots of the table).
    """

    def __init__(
        self,
        table: Table,
        view: "TableView",
        resolution: tuple[int, int],
        room: RoomTruth,
        *,
        hidden: Callable[[Array, Array], BoolArray],
        seed: int,
    ) -> None:
        width, height = resolution
        u, v = np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5)
        x, y = view.to_table(u, v)
        self.area_mm2 = _cell_areas(x, y)
        corners = on_table_top(table, room.table_margin_mm, x, y)
        x, y = _cell_middles(x), _cell_middles(y)
        cover = _cell_cover(corners, lambda u, v: on_table_top(table, room.table_margin_mm, *view.to_table(u, v)))
        top = cover > 0.0
        top[top] = ~hidden(x[top], y[top])
        light = room.albedo * (1.0 + room.texture * clouds(x[top], y[top], seed))
        self.reflectance = np.zeros((height, width), np.float32)
        self.reflectance[top] = cover[top] * light


def _cell_cover(corners: BoolArray, is_top: Callable[[Array, Array], BoolArray]) -> NDArray[np.float32]:
    """Share (H, W) of each pixel that sees the table top, from its corners (H + 1, W + 1); finer where they differ."""
    four = np.stack([corners[:-1, :-1], corners[:-1, 1:], corners[1:, :-1], corners[1:, 1:]])
    cover: NDArray[np.float32] = np.asarray(four.all(axis=0), np.float32)
    rows, columns = np.nonzero(four.any(axis=0) & ~four.all(axis=0))
    step = (np.arange(_RIM_SAMPLES) + 0.5) / _RIM_SAMPLES - 0.5
    u, v = (a.ravel() for a in np.meshgrid(step, step))
    cover[rows, columns] = is_top(columns[:, None] + u, rows[:, None] + v).mean(axis=1)
    return cover


def _cell_areas(x: Array, y: Array) -> Array:
    """Areas of the cells of a grid of corners: half the cross product of the diagonals."""
    ax, ay = x[1:, 1:] - x[:-1, :-1], y[1:, 1:] - y[:-1, :-1]
    bx, by = x[1:, :-1] - x[:-1, 1:], y[1:, :-1] - y[:-1, 1:]
    return 0.5 * np.abs(ax * by - ay * bx)


def _cell_middles(corner: Array) -> Array:
    return 0.25 * (corner[1:, 1:] + corner[:-1, :-1] + corner[1:, :-1] + corner[:-1, 1:])


def clouds(x_mm: Array, y_mm: Array, seed: int) -> NDArray[np.float32]:
    """A smooth random pattern of unit variance."""
    x, y = x_mm.astype(np.float32), y_mm.astype(np.float32)
    random = np.random.default_rng([seed, 0x7AB1E])
    clouds = np.zeros(x.shape, np.float32)
    for _ in range(_WAVES):
        length = np.exp(random.uniform(*np.log(_WAVELENGTHS_MM)))
        angle, phase = random.uniform(0.0, 2.0 * np.pi, 2)
        kx, ky = 2.0 * np.pi / length * np.cos(angle), 2.0 * np.pi / length * np.sin(angle)
        clouds += np.cos(np.float32(kx) * x + np.float32(ky) * y + np.float32(phase))
    return clouds * np.float32(np.sqrt(2.0 / _WAVES))
