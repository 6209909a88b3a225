"""Finding the board's corners in a photograph, to a few hundredths of a pixel."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.camera.boards.board import board_corners_mm, board_size_mm, charuco_board
from rigwarp.camera.boards.layout import decide_layout, exchanged, known_markers, layouts_differ, markers_in_place
from rigwarp.errors import InputError
from rigwarp.geometry import Array, IntArray, Photo
from rigwarp.rig.model import Target

_STRETCH_PERCENT = (0.5, 99.5)  # black and white of the stretched photo: highlights and dead pixels left out
_ENOUGH = 0.6  # share of the board's corners at which no further way of looking is tried
_CLEARANCE_PX = 1.0  # the refinement's window ends this far before the markers, whose edges would pull
_WINDOW_PX = (2, 12)  # half window limits: fewer pixels are noise, more see lens distortion
_MAX_MOVE = 0.25  # a refined corner that moved further than this share of a square went to something else
_SMALLEST_MARKER_PX = 10  # side of a marker: 7 cells or more cannot be told in fewer pixels
_FEWEST_CORNERS = 6  # that tell how large markers are
_LARGE_PX = 2400  # photos wider than this are searched at less than their size first
_NEARLY_ALL = 0.9  # share of the corners at which such a search will do


@dataclass(frozen=True, kw_only=True)
class BoardView:
    """The board's corners in one photograph; possibly none.

    Attributes
    ----------
    resolution : (width, height) of the photo.
    ids : (N,) corner numbers, OpenCV's order.
    object_mm : (N, 3) board frame, as really printed (`scale` applied), z = 0.
    image_px : (N, 2)
    size_mm : (width, height) of the whole pattern, as really printed.
    square_px : (N,) length of a square's shorter side around each corner, px.
    legacy : True when the corners are those of the layout that OpenCV printed before 4.6.
    mirrored : True when the board was only found in the mirror image of the photo (and there are no corners).
    oddity : what was found instead of the board, in words; empty where nothing was (and there are no corners).
    layout_votes : markers where the new layout has them, and the old one; zeros where that makes no difference.
    marker_share : side of a marker, in squares, as it looks in the photo; NaN where too little is seen of it.
    """

    resolution: tuple[int, int]
    ids: IntArray
    object_mm: Array
    image_px: Array
    size_mm: tuple[float, float]
    square_px: Array
    legacy: bool
    mirrored: bool
    marker_share: float = np.nan
    oddity: str = ""
    layout_votes: tuple[int, int] = (0, 0)

    @property
    def n(self) -> int:
        """Number of corners."""
        return len(self.ids)


def detect_board(photo: Photo, target: Target) -> BoardView:
    """Find the corners of the board in a grey photograph.

    Parameters
    ----------
    photo : (H, W) uint8 or uint16
        Any range of values: it is stretched between its own black and white.

    Returns
    -------
    BoardView
        With no corners when the board is not there.

    Raises
    ------
    InputError
        When the photo is not a grey 8- or 16-bit picture, or the target's keys do not make a board.
    """
    _check_photo(photo)
    grey = _stretched(photo)
    best = nothing = empty_view((photo.shape[1], photo.shape[0]), target)
    for picture, shrink, enough in _ways_of_looking(grey):
        found = _search(picture, shrink, nothing, target)
        # the same corners as in another version, not as many: then the rest is not in the photo
        no_more = found.n >= _FEWEST_CORNERS and set(found.ids.tolist()) == set(best.ids.tolist())
        best = max(best, found, key=lambda f: (bool(f.oddity), f.n))
        if best.oddity or no_more or best.n >= enough * len(board_corners_mm(target)):
            break
    if best.n == 0 and not best.oddity:
        mirror = _search(_to_8_bit(grey[:, ::-1]), 1.0, nothing, target)
        negative = _search(_to_8_bit(255.0 - grey), 1.0, nothing, target)
        best = replace(nothing, mirrored=mirror.n > 0, oddity=_NEGATIVE if negative.n > 0 else "")
    return _refined(grey, best, target)


def empty_view(resolution: tuple[int, int], target: Target, *, oddity: str = "") -> BoardView:
    """A photograph without the board."""
    return BoardView(
        resolution=resolution,
        ids=np.zeros(0, np.int64),
        object_mm=np.zeros((0, 3)),
        image_px=np.zeros((0, 2)),
        size_mm=board_size_mm(target),
        square_px=np.zeros(0),
        legacy=False,
        mirrored=False,
        oddity=oddity,
    )


_NEGATIVE = (
    "the board is there in negative, black and white exchanged: print it again without inverting, or switch off the "
    "camera's negative effect"
)
_EXCHANGED = "the board has {0} squares across and {1} down: set target.squares = [{0}, {1}] in rig.toml, columns first"
_OTHER_LAYOUT = (
    "the board is in OpenCV's {0} layout, the other photos or layout under [target] in rig.toml say otherwise: put "
    'layout = "{0}" there, or use photos of one board'
)


@dataclass(frozen=True, kw_only=True)
class EitherWay:
    """A board that may be seen over a mirror, which OpenCV does not find.

    Attributes
    ----------
    view : its corners in pixels of the photo as it is, whichever way they were found.
    flipped : True when the board was found in the photo's mirror image (u' = W - 1 - u).
    corners : at first sight, in the photo and in its mirror image.
    """

    view: BoardView
    flipped: bool
    corners: tuple[int, int]


def detect_board_either_way(photo: Photo, target: Target, *, rather_flipped: bool) -> EitherWay:
    """The board in a photo or in its mirror image, wherever there is more of it; `rather_flipped` where that is alike.

    Raises
    ------
    InputError
        As for `detect_board`.
    """
    _check_photo(photo)
    plain = _to_8_bit(_stretched(photo))
    ways = (plain, np.ascontiguousarray(plain[:, ::-1]))
    nothing = empty_view((photo.shape[1], photo.shape[0]), target)
    count = [_search(picture, 1.0, nothing, target).n for picture in ways]
    flipped = rather_flipped if count[0] == count[1] else count[1] > count[0]
    looked = cast(Photo, np.ascontiguousarray(photo[:, ::-1])) if flipped else photo
    view = detect_board(looked, target)
    if flipped:
        there = view.image_px * [-1.0, 1.0] + [photo.shape[1] - 1.0, 0.0]
        view = replace(view, image_px=there)
    return EitherWay(view=view, flipped=flipped, corners=(count[0], count[1]))


def _check_photo(photo: Photo) -> None:
    if photo.ndim != 2 or photo.dtype not in (np.uint8, np.uint16):
        raise InputError(
            f"a photo of the board has shape {photo.shape} and type {photo.dtype}, expected grey (H, W), 8 or 16 bit"
        )


def _stretched(photo: Photo) -> NDArray[np.float32]:
    """The photo as float32 with its own black at 0 and white at 255."""
    low, high = np.percentile(photo[::3, ::3], _STRETCH_PERCENT)
    scale = 255.0 / max(high - low, 1.0)
    return ((photo.astype(np.float32) - np.float32(low)) * np.float32(scale)).clip(-64.0, 320.0)


def _to_8_bit(grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.ascontiguousarray((grey + 0.5).clip(0.0, 255.0).astype(np.uint8))


def _ways_of_looking(grey: NDArray[np.float32]) -> Iterator[tuple[NDArray[np.uint8], float, float]]:
    """Versions of the photo in which markers may be easier to read, their size relative to the photo, what is enough.

    A large photo is looked at in a small version first: corners are refined in the photo itself, whichever it was.
    """
    plain, large = _to_8_bit(grey), grey.shape[1] > _LARGE_PX
    if large:
        for times in sorted({-(-grey.shape[1] // _LARGE_PX), 2}, reverse=True):
            size = 1.0 / times
            smaller = cv2.resize(plain, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
            yield np.asarray(smaller, np.uint8), size, _NEARLY_ALL
    yield plain, 1.0, _ENOUGH
    evened = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(plain)  # uneven light
    yield np.asarray(evened, np.uint8), 1.0, _ENOUGH
    if not large:
        bigger = cv2.resize(plain, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)  # small markers
        yield np.asarray(bigger, np.uint8), 2.0, _ENOUGH


def _search(picture: NDArray[np.uint8], size: float, nothing: BoardView, target: Target) -> BoardView:
    """OpenCV's marker and corner search, not refined; `nothing` is the view of the photo without the board."""
    found, numbers, quads = _search_as(picture, size, nothing, target)
    if exchanged(target, numbers, quads):
        return replace(nothing, oddity=_EXCHANGED.format(*target.squares[::-1]))
    if not layouts_differ(target):
        return found
    votes = markers_in_place(target, numbers, quads)
    if target.layout is not None:
        shown = decide_layout([votes])
        return found if shown in (None, target.layout) else replace(nothing, oddity=_OTHER_LAYOUT.format(shown))
    if votes[1] > votes[0]:
        found, _, _ = _search_as(picture, size, nothing, replace(target, layout="old"))
    return replace(found, layout_votes=votes)


def _search_as(
    picture: NDArray[np.uint8], size: float, nothing: BoardView, target: Target
) -> tuple[BoardView, IntArray, Array]:
    """The search in one layout, and the board's markers with their corners in the picture searched."""
    board = charuco_board(target)
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMax = 43  # soft edges of large or defocused markers
    parameters.minMarkerPerimeterRate = 4 * _SMALLEST_MARKER_PX * size / max(picture.shape)
    detector = cv2.aruco.CharucoDetector(board, cv2.aruco.CharucoParameters(), parameters)
    corners, ids, markers, marker_ids = detector.detectBoard(picture)
    own, quads = known_markers(target, marker_ids, markers)
    if ids is None or len(ids) == 0:
        return nothing, own, quads
    at, numbers = np.reshape(np.asarray(corners, float), (-1, 2)), np.ravel(ids).astype(np.int64)
    found = replace(
        nothing,
        ids=numbers,
        object_mm=board_corners_mm(target)[numbers],
        image_px=at / size + (1.0 / size - 1.0) / 2.0,  # the first pixel's centre: of a resized picture (1/size - 1)/2
        legacy=target.layout == "old",
        marker_share=_marker_share(at, numbers, markers, board.getChessboardSize()[0] - 1),
    )
    return found, own, quads


def _marker_share(corners_px: Array, ids: IntArray, markers_px: Any, columns: int) -> float:
    """Median side of the markers, in squares, by the homography of the corners; NaN with fewer than four of these."""
    place = np.stack([ids % columns, ids // columns], axis=-1).astype(float)
    if len(ids) < _FEWEST_CORNERS or min(np.ptp(place, axis=0)) < 1:
        return float("nan")
    flat, _ = cv2.findHomography(np.asarray(corners_px, float), place)
    if flat is None:
        return float("nan")
    quads = np.asarray(markers_px, float).reshape(-1, 1, 2)
    there = np.asarray(cv2.perspectiveTransform(quads, flat)).reshape(-1, 4, 2)
    return float(np.median(np.linalg.norm(there - np.roll(there, 1, axis=1), axis=-1)))


def _refined(grey: NDArray[np.float32], found: BoardView, target: Target) -> BoardView:
    """Corners moved to where the gradients around them say, in a window that suits the size of the squares there."""
    square_px = _square_px(found, target)
    gap_px = square_px * (target.square_mm - target.marker_mm) / (2.0 * target.square_mm)
    half = np.clip(np.round(gap_px - _CLEARANCE_PX), *_WINDOW_PX).astype(int)
    refined = found.image_px.copy()
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-4)
    for size in np.unique(half):
        chosen = half == size
        start = np.ascontiguousarray(refined[chosen], np.float32).reshape(-1, 1, 2)
        refined[chosen] = cv2.cornerSubPix(grey, start, (int(size), int(size)), (-1, -1), stop).reshape(-1, 2)
    height, width = grey.shape
    room = np.minimum(refined, [width - 1, height - 1] - refined).min(axis=-1, initial=np.inf) - half
    moved = np.linalg.norm(refined - found.image_px, axis=-1)
    keep = (room >= 1.0) & (moved <= _MAX_MOVE * square_px)
    ids, object_mm = found.ids[keep], found.object_mm[keep]
    return replace(found, ids=ids, object_mm=object_mm, image_px=refined[keep], square_px=square_px[keep])


def _square_px(found: BoardView, target: Target) -> Array:
    """(N,) distance to the nearest found neighbour on the board, in squares' worth of pixels."""
    columns = target.squares[0] - 1
    place = np.stack([found.ids % columns, found.ids // columns], axis=-1)
    steps = np.linalg.norm((place[:, None] - place[None]).astype(float), axis=-1)
    apart = np.linalg.norm(found.image_px[:, None] - found.image_px[None], axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        per_square = np.where((steps > 0.0) & (steps < 1.5), apart / steps, np.inf)
    nearest = per_square.min(axis=-1, initial=np.inf)
    return np.where(np.isfinite(nearest), nearest, 0.0)
