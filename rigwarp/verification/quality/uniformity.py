"""How evenly the light lies on the content area: the nine-point method."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, Photo
from rigwarp.rig import Content
from rigwarp.rig.canvas import content_to_table, table_to_content

_SPOT_SHARE = 0.02  # radius of a spot, of the content's smaller side; a circle's corner spots end 0.9 % inside
_ROWS_AT_ONCE = 64
"""Bounds the arrays at work to some 20 MB."""
_FEWEST_PX = 12
Undo = Callable[[Array], Array]
"""Takes (..., 2) table positions to where what is seen there lies on the content as measured, table mm."""


@dataclass(frozen=True, kw_only=True)
class NinePoints:
    """Light at the nine points, linear, relative to the brightest.

    Attributes
    ----------
    points_mm : (9, 2) where, on the table, of content that nobody has moved; rows from the top, left to right.
    light : (9,) relative; NaN where the camera does not see the spot.
    uniformity : smallest over largest (ISO 11315-1's g); NaN when a spot is missing.
    corner_to_centre : mean of the four corner spots over the middle one.
    """

    points_mm: Array
    light: Array
    uniformity: float
    corner_to_centre: float


def nine_points(content: Content) -> Array:
    """(9, 2) table mm: centres of the nine equal parts of the content's rectangle (ISO 11315-1, IEC 61947-1).

    In a circle all of them lie inside too, the corner ones at 94 % of the radius.
    """
    width, height = content.pixels
    shares = np.array([1 / 6, 1 / 2, 5 / 6])
    v, u = np.meshgrid(shares * height - 0.5, shares * width - 0.5, indexing="ij")
    return content_to_table(content, np.stack([u, v], axis=-1).reshape(-1, 2))


def measure_uniformity(
    white: Photo,
    black: Photo,
    light_of_code: NDArray[np.float32],
    content: Content,
    seen: "SeenContent",
) -> NinePoints:
    """The light of a white picture at the nine points, that of a black one taken off.

    Parameters
    ----------
    white, black : (H, W) photographs at one exposure.
    light_of_code : linear light of each code value, see `light_table`.
    content : what was lit.
    seen : where the photographs' pixels see it; the points move with the content.

    Notes
    -----
    A camera sees luminance: the table's reflectance and the falloff of the camera's own lens are in the figures.
    """
    points = nine_points(content)
    light = np.full(9, np.nan)
    radius_mm = _SPOT_SHARE * min(content.size_mm)
    for number, point in enumerate(points):
        pixels = seen.within(table_to_content(content, point), radius_mm, round_=True)
        if len(pixels.rows) >= _FEWEST_PX:
            place = (pixels.rows, pixels.columns)
            light[number] = float(np.mean(light_of_code[white[place]] - light_of_code[black[place]]))
    light = light / np.nanmax(light) if np.nanmax(light, initial=0.0) > 0 else np.full(9, np.nan)
    return NinePoints(
        points_mm=points,
        light=light,
        uniformity=float(light.min()),
        corner_to_centre=float(light[[0, 2, 6, 8]].mean() / light[4]),
    )


@dataclass(frozen=True, kw_only=True)
class ContentPixels:
    """Camera pixels (k,) near a spot, and how far from it they see the content (k, 2), mm along the content's axes."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    offset_mm: Array


@dataclass(frozen=True, kw_only=True)
class SeenContent:
    """Which spot of the content each camera pixel sees; (H, W, 2) mm from its top left, NaN beside the table plane."""

    spot_mm: Array
    mm_per_px: Array

    @classmethod
    def of(
        cls, shape: tuple[int, ...], content: Content, camera: CameraModel, height_mm: float, undo: Undo
    ) -> "SeenContent":
        """For photographs of (H, W) pixels of a surface at a height; `undo` takes the correction by hand back."""
        height, width = shape[:2]
        mm_per_px = np.array(content.size_mm) / content.pixels
        spot_mm = np.empty((height, width, 2))
        for top in range(0, height, _ROWS_AT_ONCE):
            band = spot_mm[top : top + _ROWS_AT_ONCE]
            rows, columns = np.mgrid[top : top + len(band), :width]
            table_mm = camera.to_plane(np.stack([columns, rows], axis=-1).astype(float), height_mm)
            band[:] = table_to_content(content, undo(table_mm)) * mm_per_px
        return cls(spot_mm=spot_mm, mm_per_px=mm_per_px)

    def within(self, content_px: Array, reach_mm: float, *, round_: bool) -> ContentPixels:
        """Camera pixels within a disc (or square, by half its side) around a content pixel."""
        offset = self.spot_mm - np.asarray(content_px) * self.mm_per_px
        with np.errstate(invalid="ignore"):
            far = np.hypot(offset[..., 0], offset[..., 1]) if round_ else np.abs(offset).max(axis=-1)
            rows, columns = np.nonzero(far <= reach_mm)
        return ContentPixels(rows=rows, columns=columns, offset_mm=offset[rows, columns])
