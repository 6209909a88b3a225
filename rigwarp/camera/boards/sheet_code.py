"""The code on a printed sheet: which board it is, in a form that a camera reads (a QR code, ISO/IEC 18004).

Its text, such as RIGWARP:36/27/10X7/5X5-250/7F3A2C, names the sides of squares and markers in mm, the squares across
and down, OpenCV's dictionary, and the print.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.camera.boards.detection import BoardView
from rigwarp.errors import MeasurementError
from rigwarp.geometry import BoolArray, Photo
from rigwarp.rig.model import Target

_TEXT = re.compile(r"RIGWARP:([0-9.]+)/([0-9.]+)/(\d+)X(\d+)/([0-9A-Z-]+)/([0-9A-F]{6})")
_BORDER = 2  # white modules that OpenCV puts around its code
_SAME = 2e-3  # relative: sizes are printed with four digits
_FEWEST = 8  # corners of the board that place the code
_MOST_PX = 240  # per square in the picture that is searched; a code of 25 modules is half a square or larger
_LARGEST_PX = 6000  # of a photograph that is searched as a whole
_ENLARGED = 6.0  # times the photograph
_PLACES = (((0.1, 2.2), (-0.3, 1.2)), ((-4.0, 1.2), (0.05, 1.3)))
"""Beside the board and below its right end, in squares from its right and lower edge; the first from its top."""
_RATIO, _RATIO_PX = 0.05, 1.0  # of a marker to a square, and px by which markers are found too large or too small


@dataclass(frozen=True, kw_only=True)
class SheetCode:
    """What the code on a sheet says."""

    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    dictionary: str
    print_id: str

    def tells(self, target: Target) -> bool:
        """Is it the sheet of that target?"""
        return (
            self.squares == target.squares
            and self.dictionary == _spelled(target.dictionary)
            and abs(self.square_mm / target.square_mm - 1.0) < _SAME
            and abs(self.marker_mm / target.marker_mm - 1.0) < _SAME
        )


def code_text(target: Target, paper: str) -> str:
    """The text on the sheet of a board on that paper."""
    columns, rows = target.squares
    said = f"{target.square_mm:.4g}/{target.marker_mm:.4g}/{columns}X{rows}/{_spelled(target.dictionary)}"
    return f"RIGWARP:{said}/{hashlib.sha256(f'{said}/{paper}'.encode()).hexdigest()[:6].upper()}"


def code_modules(text: str) -> BoolArray:
    """(n, n) True where the code is black, without its white border."""
    asked = cv2.QRCodeEncoder.Params()
    asked.mode = cv2.QRCODE_ENCODER_MODE_ALPHANUMERIC
    asked.correction_level = cv2.QRCODE_ENCODER_CORRECT_LEVEL_M
    picture = np.asarray(cv2.QRCodeEncoder.create(asked).encode(text))
    return np.asarray(picture[_BORDER:-_BORDER, _BORDER:-_BORDER] < 128)


def read_code(photo: Photo, view: BoardView, target: Target) -> SheetCode | None:
    """The code of the sheet in a grey photograph; None where none can be read.

    Parameters
    ----------
    view : the board in it; where it was not found, the whole photograph is searched.
    """
    low, high = np.percentile(photo[::4, ::4], (0.5, 99.5))
    grey = np.clip((photo - float(low)) * (255.0 / max(float(high - low), 1.0)), 0, 255).astype(np.uint8)
    for picture in _pictures(grey, view, target):
        said, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
        found = _TEXT.fullmatch(said)
        if found is not None:
            square, marker, columns, rows, dictionary, print_id = found.groups()
            return SheetCode(
                squares=(int(columns), int(rows)),
                square_mm=float(square),
                marker_mm=float(marker),
                dictionary=dictionary,
                print_id=print_id,
            )
    return None


def check_sheet(photo: Photo, view: BoardView, target: Target, name: str, *, read: bool = True) -> SheetCode | None:
    """The code on the sheet, if it can be read in the photograph called `name` and is to be.

    Raises
    ------
    MeasurementError
        The sheet is not the one of rig.toml, by its code or by its markers.
    """
    code = read_code(photo, view, target) if read else None
    if code is not None and not code.tells(target):
        raise MeasurementError(_another_sheet(code, target, name))
    expected = target.marker_mm / target.square_mm
    unsure = _RATIO + _RATIO_PX / max(float(np.median(view.square_px)), 1.0) if view.n else np.inf
    if abs(view.marker_share - expected) > unsure:  # not where it is NaN
        raise MeasurementError(
            f"{name}: the sheet's markers are {view.marker_share:.2f} of its squares, rig.toml says target.marker_mm / "
            f"square_mm = {target.marker_mm:g} / {target.square_mm:g} = {expected:.2f}. One of the two is not that of "
            "the sheet, and all lengths hang on square_mm: measure a square and a marker on the print, and set both"
        )
    return code


def _another_sheet(code: SheetCode, target: Target, name: str) -> str:
    ratio = target.square_mm / code.square_mm
    wrong = f"everything would be {ratio:.2f} of its size: " if abs(ratio - 1.0) >= _SAME else ""
    columns, rows = code.squares
    return (
        f"{name}: {wrong}rig.toml says {_described(target.squares, target.square_mm, target.marker_mm)} of "
        f"{_spelled(target.dictionary)}, the code on the sheet says "
        f"{_described(code.squares, code.square_mm, code.marker_mm)} of {code.dictionary}. Set, in rig.toml under "
        f"[target], squares = [{columns}, {rows}], square_mm = {code.square_mm:g}, marker_mm = {code.marker_mm:g} and "
        f'dictionary = "DICT_{code.dictionary.replace("-", "_")}", or lay the right sheet down'
    )


def _described(squares: tuple[int, int], square_mm: float, marker_mm: float) -> str:
    return f"{squares[0]} x {squares[1]} squares of {square_mm:g} mm with markers of {marker_mm:g} mm"


def _spelled(dictionary: str) -> str:
    """A dictionary's name in the characters that such a code has."""
    return dictionary.removeprefix("DICT_").replace("_", "-").upper()


def _pictures(grey: NDArray[np.uint8], view: BoardView, target: Target) -> Iterator[NDArray[np.uint8]]:
    """What is searched: the places beside the board, or else all of the photograph, enlarged where it has to be."""
    if view.n >= _FEWEST:
        yield from (_placed(grey, view, target, number) for number in range(len(_PLACES)))
        return
    for times in (1.0, 2.0, 3.0):
        if times * max(grey.shape) < _LARGEST_PX:
            yield np.asarray(cv2.resize(grey, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC), np.uint8)


def _placed(grey: NDArray[np.uint8], view: BoardView, target: Target, number: int) -> NDArray[np.uint8]:
    """The place beside the board where the code is, seen from straight above and enlarged."""
    columns, rows = target.squares
    across, down = _PLACES[number]
    low = np.array([columns + across[0], down[0] + (rows if number else 0)])
    high = np.array([columns + across[1], rows + down[1]])
    per_square = min(_MOST_PX, _ENLARGED * float(np.median(view.square_px)))
    size = np.ceil((high - low) * per_square).astype(int)
    column, row = view.ids % (columns - 1), view.ids // (columns - 1)  # of the corners, from 1 on in squares
    there = (np.stack([column, row], axis=-1) + 1.0 - low) * per_square
    place, _ = cv2.findHomography(view.image_px, there)
    return np.asarray(
        cv2.warpPerspective(grey, place, size.tolist(), flags=cv2.INTER_CUBIC, borderValue=(255,)), np.uint8
    )
