"""Printed sheets as a view's camera sees them: mirror-reversed over a mirror, as printed where it looks directly.

OpenCV finds no mirrored board, and a few dictionaries hold markers that are others' mirror images. So each zone of a
photograph is looked at as it is and flipped, and whichever shows more of the board counts, if it is the way in which
the design sees the table there; a zone that shows the board both ways is not trusted.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.camera.boards.detection import BoardView, detect_board_either_way
from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray, Photo, ViewMap
from rigwarp.rig.model import Target
from rigwarp.view.parts import ViewPart

FEWEST: Final = 4
"""Corners below which a zone of a photograph tells nothing."""
_DOUBTFUL = 4  # corners seen the other way round, too
_MARGIN_SHARE = 0.02  # of the picture's width: how far the mirrors' edges may lie from where the design has them
_SMALLEST_PX = 60  # side of a zone that may hold a board


@dataclass(frozen=True, kw_only=True)
class SheetCorners:
    """The board in one zone of one photograph.

    Attributes
    ----------
    photo : number of the photograph, from 0.
    part : what of the view saw it; `zone` is that of the view.
    pixels_px : (N, 2) raw camera pixels.
    board_mm : (N, 3) the same corners on the sheet, as really printed.
    square_px : (N,) shorter side of a square there.
    flipped : whether it was found in the mirror image of the photograph.
    """

    photo: int
    part: ViewPart
    zone: int
    pixels_px: Array
    board_mm: Array
    square_px: Array
    flipped: bool


@dataclass(frozen=True, kw_only=True)
class SheetsFound:
    """What one photograph shows: the board by zone, and why a zone that shows some of it was left out."""

    corners: tuple[SheetCorners, ...]
    refused: tuple[str, ...]


def find_sheets(
    photo: Photo, target: Target, parts: Sequence[ViewPart], design: ViewMap, *, number: int
) -> SheetsFound:
    """Look for the board in every zone of a photograph.

    Parameters
    ----------
    photo : (H, W) grey, 8 or 16 bit, as the camera delivers it, not flipped.
    target : the printed sheet.
    parts, design : what the view looks through, and what it should see: that says where its zones are.
    number : of the photograph, from 0.

    Raises
    ------
    InputError
        The photograph has another size than the view's pictures.
    """
    width, height = design.resolution
    if photo.shape != (height, width):
        found = f"{photo.shape[1]} x {photo.shape[0]}"
        raise InputError(
            f"found {found} pixels, rig.toml says view.resolution = [{width}, {height}]. Take the photographs with the "
            "view's own camera and setting"
        )
    corners, refused = [], []
    for zone in np.unique(design.zone[design.zone >= 0]):
        part = part_of(parts, int(zone))
        seen, reason = _in_zone(photo, target, _around(design.zone == zone), part.parity > 0)
        if reason:
            refused.append(f"zone {zone} ({part.name}): {reason}")
        if seen is not None:
            corners.append(
                SheetCorners(
                    photo=number,
                    part=part,
                    zone=int(zone),
                    pixels_px=seen.image_px,
                    board_mm=seen.object_mm,
                    square_px=seen.square_px,
                    flipped=part.parity > 0,
                )
            )
    return SheetsFound(corners=tuple(corners), refused=tuple(refused))


def part_of(parts: Sequence[ViewPart], zone: int) -> ViewPart:
    """The part of the view that a zone belongs to."""
    return max((part for part in parts if part.first_zone <= zone), key=lambda part: part.first_zone)


def _around(here: BoolArray) -> BoolArray:
    """(H, W) a zone and what may belong to it as built."""
    margin = max(3, round(_MARGIN_SHARE * here.shape[1]))
    return np.asarray(cv2.dilate(here.astype(np.uint8), np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)) > 0)


def _in_zone(photo: Photo, target: Target, here: BoolArray, mirrored: bool) -> tuple[BoardView | None, str]:
    """The board in part of a photograph, its pixels those of the whole; or why what is there is not trusted."""
    rows, columns = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
    if min(len(rows), len(columns)) < _SMALLEST_PX:
        return None, ""
    box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    cut = np.where(here[box], photo[box], _middle(photo[box][here[box]]))
    either = detect_board_either_way(cast(Photo, cut.astype(photo.dtype)), target, rather_flipped=mirrored)
    if min(either.corners) >= _DOUBTFUL:
        return None, (
            f"the board is seen both as printed ({either.corners[0]} corners) and mirrored ({either.corners[1]}); use "
            "a dictionary without mirror images, such as DICT_6X6_250, or cover what reflects it"
        )
    if either.view.n < FEWEST:
        few = f"only {either.view.n} corners of the board ({FEWEST} are needed): lay it where more of it is seen there"
        return None, few if either.view.n else ""
    if either.flipped != mirrored:
        seen, wanted = ("mirrored", "as printed") if either.flipped else ("as printed", "mirrored")
        return None, (
            f"the board is seen {seen}, the design sees it {wanted} there: hand over photographs as the camera "
            "delivers them, or check the mirrors in rig.toml"
        )
    corner = np.array([columns[0], rows[0]], float)
    return replace(either.view, image_px=either.view.image_px + corner), ""


def _middle(values: NDArray[np.uint8] | NDArray[np.uint16]) -> int:
    """A grey at which the cut-out's edge looks like no marker."""
    return int(np.median(values))
