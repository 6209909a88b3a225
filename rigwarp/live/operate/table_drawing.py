"""Drawing in table millimetres: what scenes, check pictures and the overlay use."""

from collections.abc import Sequence

import cv2
import numpy as np

from rigwarp.geometry import Array, IntArray
from rigwarp.live.render.picture import Picture
from rigwarp.rig import Content
from rigwarp.rig.canvas import content_to_table, table_to_content

Colour = tuple[int, int, int]
Point = tuple[float, float]
WHITE: Colour = (255, 255, 255)
BLACK: Colour = (0, 0, 0)
_SHIFT = 4
"""OpenCV draws at positions of 1/16 pixel."""
_FONT = cv2.FONT_HERSHEY_SIMPLEX
_FONT_HEIGHT_PX = 21.0
"""Height of a capital letter of that font at scale 1."""


class TableDrawing:
    """A canvas over the content area; x right and y away from somebody at the table's front edge, in millimetres.

    Parameters
    ----------
    content : where the canvas lies on the table.
    pixels : (width, height) of the picture; by default the content's own.
    """

    def __init__(self, content: Content, pixels: tuple[int, int] | None = None) -> None:
        self.content = content
        width, height = pixels or content.pixels
        self._factor = np.array([width / content.pixels[0], height / content.pixels[1]])
        self._px_per_mm = float((np.array([width, height]) / content.size_mm).mean())
        self.picture: Picture = np.zeros((height, width, 3), np.uint8)

    @classmethod
    def over(cls, content: Content, picture: Picture) -> "TableDrawing":
        """Draw onto a picture (changed in place) that fills the canvas as far as its aspect allows."""
        drawing = cls(content, (picture.shape[1], picture.shape[0]))
        scale = float(np.min(np.array(content.pixels) / [picture.shape[1], picture.shape[0]]))
        drawing._factor = np.array([1.0 / scale, 1.0 / scale])
        drawing._px_per_mm = float((np.array(content.pixels) / content.size_mm).mean()) / scale
        drawing.picture = picture
        return drawing

    def clear(self, colour: Colour = BLACK) -> None:
        """Fill everything."""
        self.picture[:] = colour

    def line(self, start: Point, end: Point, *, width_mm: float = 1.0, colour: Colour = WHITE) -> None:
        """A straight line."""
        first, last = self._fixed([start, end]).tolist()
        cv2.line(self.picture, first, last, colour, self._thick(width_mm), cv2.LINE_AA, _SHIFT)

    def circle(self, centre: Point, radius_mm: float, *, width_mm: float | None = 1.0, colour: Colour = WHITE) -> None:
        """A circle; width None fills it. Canvas pixels that are not square make it an ellipse, as it must be."""
        scale_px = np.array(self.content.pixels) * self._factor / self.content.size_mm
        axes = radius_mm * scale_px * (1 << _SHIFT)
        cv2.ellipse(
            self.picture,
            self._fixed([centre])[0].tolist(),
            (round(axes[0]), round(axes[1])),
            0.0,
            0.0,
            360.0,
            colour,
            cv2.FILLED if width_mm is None else self._thick(width_mm),
            cv2.LINE_AA,
            _SHIFT,
        )

    def polygon(self, points: Sequence[Point], *, width_mm: float | None = None, colour: Colour = WHITE) -> None:
        """A closed polygon; width None fills it."""
        outline = self._fixed(points).astype(np.int32)[:, None, :]
        if width_mm is None:
            cv2.fillPoly(self.picture, [outline], colour, cv2.LINE_AA, _SHIFT)
        else:
            cv2.polylines(self.picture, [outline], True, colour, self._thick(width_mm), cv2.LINE_AA, _SHIFT)

    def text(
        self,
        at: Point,
        words: str,
        *,
        height_mm: float = 6.0,
        colour: Colour = WHITE,
        middle: bool = False,
        ground: Colour | None = None,
    ) -> None:
        """A line of text, its lower left (or its middle) at a place; letters outside ASCII become question marks.

        `ground`: the colour of a box behind it.
        """
        words = words.encode("ascii", "replace").decode()
        scale = height_mm * self._px_per_mm / _FONT_HEIGHT_PX
        thick = max(1, round(height_mm * self._px_per_mm / 9))
        u, v = self.to_pixels(np.array(at))
        (wide, high), below = cv2.getTextSize(words, _FONT, scale, thick)
        if middle:
            u, v = u - wide / 2, v + high / 2
        if ground is not None and words:
            first = round(u - high / 2), round(v - 1.3 * high)
            cv2.rectangle(self.picture, first, (round(u + wide + high / 2), round(v + below)), ground, cv2.FILLED)
        cv2.putText(self.picture, words, (round(u), round(v)), _FONT, scale, colour, thick, cv2.LINE_AA)

    def to_pixels(self, table_mm: Array) -> Array:
        """Picture pixels of (..., 2) table millimetres."""
        canvas = table_to_content(self.content, table_mm)
        free = (np.array(self.picture.shape[1::-1]) - np.array(self.content.pixels) * self._factor) / 2
        return np.asarray((canvas + 0.5) * self._factor - 0.5 + free)

    def to_table(self, picture_px: Array) -> Array:
        """Table millimetres of (..., 2) picture pixels."""
        free = (np.array(self.picture.shape[1::-1]) - np.array(self.content.pixels) * self._factor) / 2
        return content_to_table(self.content, (picture_px + 0.5 - free) / self._factor - 0.5)

    def _fixed(self, points: Sequence[Point]) -> IntArray:
        at = self.to_pixels(np.array(points, float).reshape(-1, 2))
        return np.round(np.clip(at, -30000, 30000) * (1 << _SHIFT)).astype(int)

    def _thick(self, width_mm: float) -> int:
        return max(1, round(width_mm * self._px_per_mm))
