"""Which dots to show and where they should land, when each blinks, and their pictures: discs whose light is just there.

Words tell dots apart by when they blink. Every word has the same number of ones, so a dot's own brightness decides
which of its frames were bright, and two dots on one spot (the union of two words) never look like a third. Two words
differ in at least four frames: one wrong frame is never mistaken for another dot.
"""

from dataclasses import dataclass, replace
from math import comb

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray
from rigwarp.rig import Content, Table, inside_table
from rigwarp.rig.canvas import content_to_table
from rigwarp.rig.transfer import encode_transfer

SPACING_MM = 24.0
DIAMETER_MM = 6.0
"""Several projector and camera pixels across, so that a centroid means something."""
_FEWEST_DOTS = 4
_SHORTEST, _LONGEST = 6, 20  # blinking frames
_COLUMNS_PER_PX = 16
"""Strips a pixel is cut into; each strip's covered height is exact, the centroid is good to 1e-3 px."""


def blink_words(count: int) -> NDArray[np.uint8]:
    """The shortest code of at least `count` words.

    Parameters
    ----------
    count : how many dots are to be told apart.

    Returns
    -------
    (count, n) uint8
        0 or 1 per frame; every row has n // 2 ones.

    Raises
    ------
    InputError
        No code is long enough for so many.

    Notes
    -----
    Words of weight w whose positions of ones sum to the same value mod n differ in at least four places: Graham and
    Sloane, Lower bounds for constant weight codes, IEEE Trans. Inf. Theory 26 (1980), theorem 1.
    """
    for length in range(_SHORTEST, _LONGEST + 1):
        if comb(length, length // 2) < count:
            continue
        words = _largest_class(length)
        if len(words) >= count:
            return words[:count]
    raise InputError(f"{count} dots are more than the blinking code can tell apart; choose a wider spacing")


def word_numbers(words: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Words read as binary numbers, first frame lowest; (..., n) -> (...,)."""
    return words.astype(np.int64) @ (np.int64(1) << np.arange(words.shape[-1], dtype=np.int64))


def _largest_class(length: int) -> NDArray[np.uint8]:
    numbers = np.arange(1 << length, dtype=np.int64)
    bits = (numbers[:, None] >> np.arange(length)) & 1
    bits = bits[bits.sum(axis=1) == length // 2]
    residue = (bits @ np.arange(length)) % length
    return bits[residue == np.bincount(residue).argmax()].astype(np.uint8)


@dataclass(frozen=True, kw_only=True)
class DotPlan:
    """A grid of dots, each with its own blinking word.

    Attributes
    ----------
    content : the canvas that the dots are drawn on.
    ids : (N,) 0 .. N - 1
    content_px : (N, 2) centres in content pixels.
    table_mm : (N, 2) where they should land.
    grid : (N, 2) int column and row of each dot in the grid, (0, 0) in the content's middle, rows counted upwards.
    words : (N, n) uint8 in which of the n blinking frames a dot is lit.
    diameter_mm : of each dot on the content.
    spacing_mm : between neighbours on the content.
    """

    content: Content
    ids: NDArray[np.int32]
    content_px: Array
    table_mm: Array
    grid: NDArray[np.int32]
    words: NDArray[np.uint8]
    diameter_mm: float
    spacing_mm: float

    @property
    def n_pictures(self) -> int:
        """Black, all dots, and one per blinking frame."""
        return 2 + self.words.shape[1]

    def aimed_at(self, table_mm: Array, shown: BoolArray) -> "DotPlan":
        """The plan for content that somebody has moved: only the dots `shown` (N,), each wanted at `table_mm` (N, 2).

        Raises
        ------
        InputError
            When fewer than four dots are left.
        """
        if np.count_nonzero(shown) < _FEWEST_DOTS:
            raise InputError(
                f"only {np.count_nonzero(shown)} of the {len(shown)} check dots are left by the correction by hand "
                "(adjust.json), at least 4 needed: it moves the content off the lit area or masks it"
            )
        count = int(np.count_nonzero(shown))
        return replace(
            self,
            ids=np.arange(count, dtype=np.int32),
            content_px=self.content_px[shown],
            table_mm=table_mm[shown],
            grid=self.grid[shown],
            words=blink_words(count),
        )


def plan_dots(
    content: Content,
    *,
    spacing_mm: float = SPACING_MM,
    margin_mm: float | None = None,
    diameter_mm: float = DIAMETER_MM,
) -> DotPlan:
    """Spread dots evenly over the content area, the first in its middle.

    Parameters
    ----------
    content : the canvas.
    spacing_mm : square grid along the content's sides.
    margin_mm : smallest distance of a dot's centre from the content's edge; by default 1.25 diameters.
    diameter_mm : of the dots.

    Raises
    ------
    InputError
        When fewer than four dots fit or when the dots would touch.
    """
    margin_mm = 1.25 * diameter_mm if margin_mm is None else margin_mm
    if not 0 < 1.5 * diameter_mm <= spacing_mm:
        raise InputError(f"dots of {diameter_mm:g} mm need a spacing of {1.5 * diameter_mm:g} mm, not {spacing_mm:g}")
    width_mm, height_mm = content.size_mm
    steps = [np.arange(-n, n + 1) * spacing_mm for n in (np.array(content.size_mm) / 2.0 // spacing_mm).astype(int)]
    own_mm = np.stack(np.meshgrid(*steps), axis=-1).reshape(-1, 2)
    inner = Table(shape=content.shape, size_mm=(width_mm - 2.0 * margin_mm, height_mm - 2.0 * margin_mm))
    own_mm = own_mm[inside_table(inner, own_mm)] if min(inner.size_mm) > 0.0 else own_mm[:0]
    if len(own_mm) < _FEWEST_DOTS:
        raise InputError(f"only {len(own_mm)} dots at {spacing_mm:g} mm fit the content area; choose a closer spacing")
    content_px = (own_mm * [1.0, -1.0] / content.size_mm + 0.5) * content.pixels - 0.5
    return DotPlan(
        content=content,
        ids=np.arange(len(own_mm), dtype=np.int32),
        content_px=content_px,
        table_mm=content_to_table(content, content_px),
        grid=np.rint(own_mm / spacing_mm).astype(np.int32),
        words=blink_words(len(own_mm)),
        diameter_mm=diameter_mm,
        spacing_mm=spacing_mm,
    )


def dot_pictures(plan: DotPlan) -> list[NDArray[np.uint8]]:
    """Content pictures, (h, w, 3) each: black, all dots, then one per blinking frame.

    A pixel's linear light is the share of it that a disc covers; coded as sRGB like any other picture.
    """
    width, height = plan.content.pixels
    rows, columns, coverage = _disc_pixels(plan)
    codes = np.round(255.0 * encode_transfer(coverage, "srgb")).astype(np.uint8)
    lit = np.concatenate([np.zeros((1, len(plan.ids))), np.ones((1, len(plan.ids))), plan.words.T]).astype(bool)
    pictures = []
    for shown in lit:
        grey = np.zeros((height, width), np.uint8)
        np.maximum.at(grey, (rows[shown], columns[shown]), codes[shown])
        pictures.append(np.repeat(grey[..., None], 3, axis=2))
    return pictures


def _disc_pixels(plan: DotPlan) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Rows, columns and covered share of the pixels around each dot; (N, k) each."""
    radius_px = plan.diameter_mm / 2.0 * np.array(plan.content.pixels) / plan.content.size_mm
    reach = np.ceil(radius_px).astype(int) + 1
    middle = np.round(plan.content_px).astype(int)
    columns = middle[:, :1] + np.arange(-reach[0], reach[0] + 1)
    rows = middle[:, 1:] + np.arange(-reach[1], reach[1] + 1)
    strips = (np.arange(_COLUMNS_PER_PX) + 0.5) / _COLUMNS_PER_PX - 0.5
    across = (columns[..., None] + strips - plan.content_px[:, :1, None]) / radius_px[0]
    chord = radius_px[1] * np.sqrt(np.maximum(1.0 - across**2, 0.0))[:, None]  # half height of the disc per strip
    centred = (rows - plan.content_px[:, 1:])[:, :, None, None]
    covered = np.minimum(centred + 0.5, chord) - np.maximum(centred - 0.5, -chord)
    share = np.clip(covered, 0.0, 1.0).mean(axis=-1)
    rows, columns = np.broadcast_arrays(rows[:, :, None], columns[:, None])
    n_dots = len(plan.ids)
    # the margin of the plan keeps discs inside; pixels past the rim (a wide reach) carry no light
    width, height = plan.content.pixels
    outside = (rows < 0) | (rows >= height) | (columns < 0) | (columns >= width)
    share = np.where(outside, 0.0, share)
    rows, columns = np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)
    return rows.reshape(n_dots, -1), columns.reshape(n_dots, -1), share.reshape(n_dots, -1)
