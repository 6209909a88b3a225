"""What lies on the table under a view: printed sheets in fine cells, projected light, a flat display behind glass."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.rig import Table, Target
from rigwarp.simulation.board import PrintedBoard, sheet_on_table
from rigwarp.simulation.light_path import LightPath
from rigwarp.simulation.transport import build_transport
from rigwarp.simulation.truth import SheetTruth

_CELL_MM = 0.2  # of the print's picture; edges are exact to a hundredth of it
_GAMMA = 2.2  # of the display
_FINER = 1.3  # cells along the table for each projector pixel along its picture


class LyingSheet:
    """A printed sheet on the table: its reflectance at spots of the plane that it lies in."""

    def __init__(self, target: Target, sheet: SheetTruth) -> None:
        board = PrintedBoard(target, sheet)
        self._place = sheet_on_table(target, board.size_mm, 0.0)
        left, top, right, bottom = board.paper_mm[0]
        self._corner_mm = np.array([left, top]) + _CELL_MM / 2
        columns, rows = (int(np.ceil(side / _CELL_MM)) for side in (right - left, bottom - top))
        ink = np.zeros((rows, columns), np.float32)
        for x0, y0, x1, y1 in board.ink_mm:
            across = _cover(x0 - left, x1 - left, columns)
            down = _cover(y0 - top, y1 - top, rows)
            i, j = np.flatnonzero(across), np.flatnonzero(down)
            ink[j[0] : j[-1] + 1, i[0] : i[-1] + 1] += np.outer(down[j[0] : j[-1] + 1], across[i[0] : i[-1] + 1])
        self._light = sheet.paper + np.float32(sheet.ink - sheet.paper) * np.minimum(ink, 1.0)

    def reflectance(self, x_mm: Array, y_mm: Array) -> NDArray[np.float32]:
        """At spots (H, W); NaN beside the sheet."""
        spot = np.stack([x_mm, y_mm, np.zeros_like(x_mm)], axis=-1) @ self._place.rotation
        spot = spot - self._place.position_mm @ self._place.rotation
        at = ((spot[..., :2] - self._corner_mm) / _CELL_MM).astype(np.float32)
        return remapped(self._light, at[..., 0], at[..., 1], outside=np.nan)


@dataclass(frozen=True, kw_only=True)
class DotPrint:
    """`columns` x `rows` dots, `pitch_mm` apart, half as wide; where the middle of their sheet lies, and its turn."""

    columns: int
    rows: int
    pitch_mm: float
    centre_mm: Array
    rotation_rad: float

    def reflectance(self, sheet: SheetTruth, x_mm: Array, y_mm: Array) -> NDArray[np.float32]:
        """At spots (H, W); NaN beside the sheet, which grew as every print does."""
        c, s = np.cos(self.rotation_rad), np.sin(self.rotation_rad)
        dx, dy = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        growth = 1.0 + np.array(sheet.scale_error)
        at = [(c * dx + s * dy) / growth[0] / self.pitch_mm, (c * dy - s * dx) / growth[1] / self.pitch_mm]
        half = [(n - 1) / 2.0 for n in (self.columns, self.rows)]
        node = [np.clip(np.round(a + h), 0, 2 * h) - h for a, h in zip(at, half, strict=True)]
        away_mm = self.pitch_mm * np.hypot(at[0] - node[0], at[1] - node[1])
        black = np.clip((self.pitch_mm / 4.0 - away_mm) / _CELL_MM + 0.5, 0.0, 1.0)
        with np.errstate(invalid="ignore"):
            beside = (np.abs(at[0]) > half[0] + 1.0) | (np.abs(at[1]) > half[1] + 1.0) | ~np.isfinite(x_mm)
        light = sheet.paper + (sheet.ink - sheet.paper) * black
        return np.where(beside, np.nan, light).astype(np.float32)


class PlanLight:
    """Light on the table in square cells of `step_mm`, rows from the front (-y) to the back.

    `corner_mm` is the middle (x, y) of the first one.
    """

    def __init__(self, path: LightPath, table: Table, margin_mm: float) -> None:
        half = np.array(table.size_mm) / 2 + margin_mm
        self.step_mm = float(2 * half.max() / (_FINER * max(path.projector.resolution)))
        self.corner_mm = -half + self.step_mm / 2
        columns, rows = (int(np.ceil(side / self.step_mm)) for side in 2 * half)
        self._shape = (rows, columns)
        self._transport = build_transport(path, self, (columns, rows))
        white = self._transport @ np.ones(self._transport.shape[1], np.float32)
        self._white = float(np.median(white[white > 0.0])) if (white > 0.0).any() else 1.0

    def to_pixels(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Column and row, in cells, of spots on the table."""
        return (x_mm - self.corner_mm[0]) / self.step_mm, (y_mm - self.corner_mm[1]) / self.step_mm

    def lit(self, light: NDArray[np.float32]) -> NDArray[np.float32]:
        """(rows, columns) irradiance of (h, w) light of the projector's pixels; 1 is typical projected white."""
        return np.asarray((self._transport @ light.ravel()).reshape(self._shape) / np.float32(self._white), np.float32)


@dataclass(frozen=True, kw_only=True)
class ScreenPlace:
    """A display on the table: middle of its pixels, and its turn (0: its top edge lies towards +y)."""

    centre_mm: Array
    rotation_rad: float


def shown_on_screen(
    picture: NDArray[np.uint8], place: ScreenPlace, pitch_mm: float, x_mm: Array, y_mm: Array
) -> NDArray[np.float32]:
    """Light of a display at spots (H, W) of its pixels' plane, table frame; dark beside its pixels."""
    c, s = np.cos(place.rotation_rad), np.sin(place.rotation_rad)
    dx, dy = x_mm - place.centre_mm[0], y_mm - place.centre_mm[1]
    height, width = picture.shape
    u = ((c * dx + s * dy) / pitch_mm + (width - 1) / 2).astype(np.float32)
    v = ((s * dx - c * dy) / pitch_mm + (height - 1) / 2).astype(np.float32)
    light = (np.float32(0.002) + (picture / np.float32(255.0)) ** np.float32(_GAMMA)).astype(np.float32)
    return remapped(light, u, v, outside=0.0)


def below_glass(lean_x: Array, lean_y: Array, glass_mm: float, index: float) -> Array:
    """How much less than without glass lines of sight run sideways in it, in units of the lean, mm (Snell)."""
    lean2 = lean_x**2 + lean_y**2
    sine2 = lean2 / (1.0 + lean2) / index**2
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.sqrt(sine2 / (1.0 - sine2)) / np.sqrt(lean2)
    return glass_mm * np.where(lean2 > 1e-12, ratio, 1.0 / index)


def remapped(
    picture: NDArray[np.float32], u: NDArray[np.float32], v: NDArray[np.float32], *, outside: float
) -> NDArray[np.float32]:
    """Values between the cells of a picture, in straight lines; `outside` beside it and where the place is NaN."""
    u, v = (np.where(np.isfinite(p), p, np.float32(-1e6)).astype(np.float32) for p in (u, v))
    beside = (u < -0.5) | (v < -0.5) | (u > picture.shape[1] - 0.5) | (v > picture.shape[0] - 0.5)
    found = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.where(beside, np.float32(outside), found)


def _cover(begin_mm: float, end_mm: float, cells: int) -> NDArray[np.float32]:
    """Share of each cell along one side that lies between two places."""
    edge = np.arange(cells + 1) * _CELL_MM
    return np.diff(np.clip(edge, begin_mm, end_mm)).astype(np.float32) / np.float32(_CELL_MM)
