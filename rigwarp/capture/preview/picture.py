"""What the operator sees: the camera's picture with what is known about it drawn over, a level meter and words.

A pure function of a photo and a state; a window only shows it.
"""

from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np

from rigwarp.camera import BoardView
from rigwarp.capture.preview.drawing import Colour, Picture, box, dots, hatch, polyline, text_width, wrapped, write
from rigwarp.geometry import Array, BoolArray, IntArray, Photo

SIZE: Final = (1280, 720)
"""(width, height) of the preview."""

GROUND: Final[Colour] = (24, 26, 30)
INK: Final[Colour] = (232, 226, 214)
FAINT: Final[Colour] = (140, 140, 138)
GOOD: Final[Colour] = (0, 190, 140)
CAUTION: Final[Colour] = (240, 190, 60)
BURNT: Final[Colour] = (235, 80, 30)
BOARD: Final[Colour] = (90, 200, 255)
CONTENT: Final[Colour] = (255, 214, 120)

_EDGE = 16
_PICTURE = (_EDGE, _EDGE, 944, 600)  # left, top, width, height of the room for the camera's picture
_COLUMN = 976  # where the words at the right begin
_METER = (_COLUMN, 84, 44, 260)
_GOOD_BRIGHTS = (0.70, 0.95)  # where the brightest spots of a picture should be
_PROMPT_TOP = 630


@dataclass(frozen=True, kw_only=True)
class PreviewState:
    """What is known beside the photo.

    Attributes
    ----------
    title : what is going on, a few words.
    prompt : what the operator is to do now; one line.
    urgent : True draws the prompt as a warning.
    lines : further words, for the column at the right.
    view : the board's corners in the photo.
    outline_px : (N, 2) the content area's edge in camera pixels, once the pose is known.
    cells : (6, 8) corners that the shots so far have in each cell of the picture; None: not of interest.
    left_s, hold_s : count-down of a shot: what is left of how much; None when nothing counts down.
    """

    title: str
    prompt: str
    urgent: bool = False
    lines: tuple[str, ...] = field(default=())
    view: BoardView | None = None
    outline_px: Array | None = None
    cells: IntArray | None = None
    left_s: float | None = None
    hold_s: float = 1.0


def compose(photo: Photo, state: PreviewState) -> Picture:
    """(720, 1280, 3) RGB."""
    whole = np.empty((SIZE[1], SIZE[0], 3), np.uint8)
    whole[:] = GROUND
    _camera_picture(whole, photo, state)
    _column(whole, photo, state)
    _prompt(whole, state)
    return whole


def camera_picture(photo: Photo, state: PreviewState) -> Picture:
    """(600, up to 944, 3) RGB: of `compose` the camera's picture alone, with what is drawn over it."""
    whole = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    _camera_picture(whole, photo, state)
    left, top, scale = picture_place((photo.shape[0], photo.shape[1]))
    height, width = round(photo.shape[0] * scale), round(photo.shape[1] * scale)
    return np.ascontiguousarray(whole[top : top + height, left : left + width])


def brightest_and_burnt(photo: Photo) -> tuple[float, float]:
    """Level of the brightest spots, and share of the picture that is at full scale; both of 1."""
    return _levels(photo)[2], _burnt(photo)


def picture_place(shape: tuple[int, int]) -> tuple[int, int, float]:
    """Left, top and scale of the camera's picture (H, W) in the preview."""
    left, top, width, height = _PICTURE
    scale = min(width / shape[1], height / shape[0])
    return left + round((width - scale * shape[1]) / 2), top, scale


def burnt_pixels(photo: Photo, size: tuple[int, int]) -> BoolArray:
    """(h, w) preview pixels of which the photo has at least one at full scale beneath: a single one is not lost."""
    burnt = (photo == np.iinfo(photo.dtype).max).astype(np.float32)
    return np.asarray(cv2.resize(burnt, size, interpolation=cv2.INTER_AREA) > 0.0, bool)


def _camera_picture(whole: Picture, photo: Photo, state: PreviewState) -> None:
    left, top, scale = picture_place((photo.shape[0], photo.shape[1]))
    size = (round(photo.shape[1] * scale), round(photo.shape[0] * scale))
    how = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    eight_bits = photo if photo.dtype == np.uint8 else (photo >> 8).astype(np.uint8)
    grey = np.asarray(cv2.resize(eight_bits, size, interpolation=how), np.uint8)
    shown: Picture = np.repeat(grey[..., None], 3, axis=2)
    if state.cells is not None:
        _empty_cells(shown, state.cells == 0)
    hatch(shown, burnt_pixels(photo, size), BURNT, under=(60, 20, 10), rising=True)

    def place(points_px: Array) -> Array:
        return np.asarray((points_px + 0.5) * scale - 0.5)

    if state.outline_px is not None:
        polyline(shown, place(state.outline_px), CONTENT, width=2, closed=True)
    if state.view is not None and state.view.n:
        dots(shown, place(state.view.image_px), BOARD, radius=4.0)
        hull = cv2.convexHull(state.view.image_px.astype(np.float32)).reshape(-1, 2).astype(float)
        polyline(shown, place(hull), BOARD, width=1, closed=True)
    if state.left_s is not None:
        _count_down(shown, state.left_s, state.hold_s)
    whole[top : top + size[1], left : left + size[0]] = shown


def _empty_cells(shown: Picture, empty: BoolArray) -> None:
    """Faint hatching and a frame where no shot has a corner yet."""
    height, width = shown.shape[:2]
    rows, columns = empty.shape
    mask = cv2.resize(empty.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    over = shown.copy()
    hatch(over, mask, CAUTION, rising=False)
    shown[:] = np.rint(0.72 * shown + 0.28 * over).astype(np.uint8)
    lines = [np.s_[:, round(k * width / columns)] for k in range(1, columns)]
    for line in [*lines, *(np.s_[round(k * height / rows)] for k in range(1, rows))]:
        shown[line] = (shown[line] * 0.6).astype(np.uint8)


def _count_down(shown: Picture, left_s: float, hold_s: float) -> None:
    """A ring that closes, with the steps that are left in its middle: three for the whole time."""
    centre, radius = (shown.shape[1] - 74, 74), 50
    share = float(np.clip(1.0 - left_s / hold_s, 0.0, 1.0))
    cv2.circle(shown, centre, radius + 10, GROUND, -1, cv2.LINE_AA)
    cv2.ellipse(shown, centre, (radius, radius), -90.0, 0.0, 360.0 * share, GOOD, 8, cv2.LINE_AA)
    digit = str(max(1, int(np.ceil(3.0 * left_s / hold_s))))
    write(shown, (centre[0] - text_width(digit, 72) // 2, centre[1] - 24), digit, size=72, colour=INK)


def _column(whole: Picture, photo: Photo, state: PreviewState) -> None:
    write(whole, (_COLUMN, 18), state.title, size=34, colour=INK)
    levels = _levels(photo)
    _meter(whole, levels)
    left, top, width, _ = _METER
    beside = left + width + 66
    burnt = _burnt(photo)
    right = _GOOD_BRIGHTS[0] <= levels[2] <= _GOOD_BRIGHTS[1]
    facts = [
        ("brightest", f"{100 * levels[2]:.0f} %", GOOD if right else CAUTION),
        ("middle", f"{100 * levels[1]:.0f} %", INK),
        ("darkest", f"{100 * levels[0]:.0f} %", INK),
        ("burnt out", f"{100 * burnt:.2f} %", BURNT if burnt > 0.0 else INK),
    ]
    for number, (name, value, colour) in enumerate(facts):
        write(whole, (beside, top + 44 * number), name, size=22, colour=FAINT)
        write(whole, (beside, top + 18 + 44 * number), value, size=28, colour=colour)
    line_top = top + _METER[3] + 40
    for words in state.lines:
        for line in wrapped(words, 24, SIZE[0] - _COLUMN - _EDGE):
            write(whole, (_COLUMN, line_top), line, size=24, colour=INK)
            line_top += 24
        line_top += 8


def _meter(whole: Picture, levels: tuple[float, float, float]) -> None:
    """A bar from dark to full scale: the range of the picture's levels, its middle, and where the brightest belong."""
    left, top, width, height = _METER

    def row(share: float) -> int:
        return top + round((1.0 - share) * height)

    box(whole, (left, top), (width, height), (52, 54, 58))
    good = (row(_GOOD_BRIGHTS[1]), row(_GOOD_BRIGHTS[0]))
    box(whole, (left, good[0]), (width, good[1] - good[0]), (22, 84, 68))
    low, middle, high = levels
    box(whole, (left + 12, row(high)), (width - 24, max(row(low) - row(high), 1)), INK)
    box(whole, (left + 4, row(middle) - 1), (width - 8, 3), BOARD)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        box(whole, (left + width + 2, row(share)), (6, 1), FAINT)
        write(whole, (left + width + 12, row(share) - 7), f"{100 * share:.0f} %", size=20, colour=FAINT)
    write(whole, (left, top + height + 10), "level", size=20, colour=FAINT)


def _prompt(whole: Picture, state: PreviewState) -> None:
    colour = CAUTION if state.urgent else GOOD
    box(whole, (_EDGE, _PROMPT_TOP), (SIZE[0] - 2 * _EDGE, SIZE[1] - _PROMPT_TOP - _EDGE), (38, 40, 45))
    box(whole, (_EDGE, _PROMPT_TOP), (6, SIZE[1] - _PROMPT_TOP - _EDGE), colour)
    lines = wrapped(state.prompt, 36, SIZE[0] - 4 * _EDGE)[:2]
    first = _PROMPT_TOP + (SIZE[1] - _EDGE - _PROMPT_TOP - 30 * len(lines)) // 2 + 3
    for number, line in enumerate(lines):
        write(whole, (2 * _EDGE + 6, first + 30 * number), line, size=36, colour=INK)


def _levels(photo: Photo) -> tuple[float, float, float]:
    """Dark, middle and bright levels of the picture as shares of full scale."""
    low, middle, high = np.quantile(photo[::2, ::2], [0.01, 0.5, 0.999]) / np.iinfo(photo.dtype).max
    return float(low), float(middle), float(high)


def _burnt(photo: Photo) -> float:
    """Share of the picture at full scale."""
    return float(np.mean(photo == np.iinfo(photo.dtype).max))
