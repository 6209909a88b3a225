"""Writing that a camera puts into its picture, such as the time: told by what changes while the light does not."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Photo

_CHANGE = 0.15  # of full scale: letters are white or black
_FEWEST_PX = 6
_LARGEST = (0.7, 0.12)  # of the picture's width and height: a line of writing
_AT_RIM = 0.25  # of the height: where cameras write


@dataclass(frozen=True, kw_only=True)
class Overlay:
    """Where writing changes: columns and rows from `corner_px` on, of `size_px`, and the place in words."""

    corner_px: tuple[int, int]
    size_px: tuple[int, int]
    place: str


def find_overlay(photos: Sequence[Photo]) -> Overlay | None:
    """Look for it in photographs of one unchanging picture, taken over some seconds; None where nothing is."""
    seen = np.stack(photos)
    changes = (seen.max(axis=0) - seen.min(axis=0)).astype(float) / np.iinfo(photos[0].dtype).max
    row, column = np.nonzero(changes > _CHANGE)
    if len(row) < _FEWEST_PX:
        return None
    height, width = changes.shape
    size = int(np.ptp(column)) + 1, int(np.ptp(row)) + 1
    if size[0] > _LARGEST[0] * width or size[1] > _LARGEST[1] * height:
        return None  # something that moves or flickers
    middle = float(row.mean()) / height, float(column.mean()) / width
    if _AT_RIM < middle[0] < 1.0 - _AT_RIM:
        return None
    across = "left" if middle[1] < 1 / 3 else "right" if middle[1] > 2 / 3 else "middle"
    place = f"{'top' if middle[0] < 0.5 else 'bottom'} {across}"
    return Overlay(corner_px=(int(column.min()), int(row.min())), size_px=size, place=place)
