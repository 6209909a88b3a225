"""What a sheet says of itself: pages rasterised by PDFium, photographed at a slant by OpenCV, and read back."""

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pypdfium2
import pytest

from rigwarp.camera import detect_board
from rigwarp.camera.boards.sheet_code import check_sheet, code_modules, code_text, read_code
from rigwarp.errors import MeasurementError
from rigwarp.rig import Target
from rigwarp.sheets.pdf import A3, A4, LETTER, SMALL_TARGET, STANDARD_TARGET, SheetFormat, draw_target


@lru_cache(maxsize=4)
def photographed(
    square_mm: float, paper: SheetFormat, long_side_px: float = 860.0, resolution: tuple[int, int] = (1280, 720)
) -> np.ndarray:
    """The printed sheet on a grey table, the long side of its paper so many pixels long."""
    target = STANDARD_TARGET if square_mm == STANDARD_TARGET.square_mm else SMALL_TARGET
    document = pypdfium2.PdfDocument(draw_target(target, paper).pdf)
    page = document[0].render(scale=110 / 72, grayscale=True).to_numpy()
    document.close()
    page = page.reshape(page.shape[:2])
    height, width = page.shape
    # turned by 8 degrees, and narrower at the far edge
    half = 0.5 * long_side_px * np.array([1.0, height / width])
    corners = np.array([[-0.94, -0.95], [0.95, -0.97], [1.0, 1.0], [-1.0, 1.0]]) * half
    turn = np.deg2rad(8.0)
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.float32(corners + np.array(resolution) / 2.0)
    sheet = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    small = cv2.GaussianBlur(page, (0, 0), 0.4 * width / long_side_px)
    seen = cv2.warpPerspective(
        small, cv2.getPerspectiveTransform(sheet, corners), resolution, flags=cv2.INTER_AREA, borderValue=90
    )
    noise = np.random.default_rng(1).normal(0.0, 1.5, seen.shape)
    return np.clip(30.0 + 0.7 * cv2.GaussianBlur(seen, (0, 0), 0.5) + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("target", "paper"), [(SMALL_TARGET, A4), (STANDARD_TARGET, A3)])
def test_a_photograph_of_the_sheet_tells_its_board(target: Target, paper: SheetFormat) -> None:
    photo = photographed(target.square_mm, paper)
    view = detect_board(photo, target)
    code = check_sheet(photo, view, target, "table.png")
    assert code is not None
    assert (code.squares, code.square_mm, code.marker_mm) == (target.squares, target.square_mm, target.marker_mm)
    assert code.print_id == code_text(target, paper.name)[-6:]
    assert view.marker_share == pytest.approx(0.75, abs=0.04)


def test_the_smaller_code_below_the_board_is_read_from_a_sheet_in_the_hand() -> None:
    photo = photographed(SMALL_TARGET.square_mm, LETTER, 1180.0, (1400, 1050))
    assert read_code(photo, detect_board(photo, SMALL_TARGET), SMALL_TARGET) is not None


def test_another_size_in_the_rig_file_is_named_with_what_it_would_do() -> None:
    """24 mm squares in rig.toml, 36 mm on the table: no marker looks different, and their ratio is the same."""
    photo = photographed(STANDARD_TARGET.square_mm, A3)
    with pytest.raises(MeasurementError) as refused:
        check_sheet(photo, detect_board(photo, SMALL_TARGET), SMALL_TARGET, "table.png")
    words = str(refused.value)
    for needed in ("table.png", "0.67 of its size", "squares of 24 mm", "squares of 36 mm", "square_mm = 36"):
        assert needed in words


def test_another_dictionary_is_named_although_no_board_is_found() -> None:
    photo = photographed(SMALL_TARGET.square_mm, A4)
    other = replace(SMALL_TARGET, dictionary="DICT_4X4_250")
    with pytest.raises(MeasurementError, match="DICT_5X5_250"):
        check_sheet(photo, detect_board(np.zeros((90, 160), np.uint8), other), other, "table.png")


def test_a_wrong_size_shows_in_the_markers_of_a_sheet_without_a_code() -> None:
    photo = photographed(SMALL_TARGET.square_mm, A4)
    wrong = replace(SMALL_TARGET, square_mm=21.0)
    with pytest.raises(MeasurementError, match=r"markers are 0\.7\d of its squares.*18 / 21 = 0\.86"):
        check_sheet(photo, detect_board(photo, wrong), wrong, "hand.png", read=False)


def test_the_code_is_one_that_others_read() -> None:
    """ISO/IEC 18004: 25 modules (version 2) hold 38 characters with a seventh of them mended; corners find it."""
    modules = code_modules(code_text(STANDARD_TARGET, "A3"))
    assert modules.shape == (25, 25)
    finder = np.ones((7, 7), bool)
    finder[1:6, 1:6] = False
    finder[2:5, 2:5] = True
    for place in ((slice(7), slice(7)), (slice(7), slice(-7, None)), (slice(-7, None), slice(7))):
        assert np.array_equal(modules[place], finder)
