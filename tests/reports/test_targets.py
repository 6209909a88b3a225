"""Printed targets, rasterised by an outside library (PDFium) and measured by OpenCV's detector."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from full_rig import SHORT

from rigwarp.rig import parse_rig
from rigwarp.sheets.page import board_outlines, cell_outlines, target_keys
from rigwarp.sheets.pdf import A3, A4, LETTER, SMALL_TARGET, STANDARD_TARGET, draw_target, fits

DPI = 300
MM_PER_INCH = 25.4
TRUE_WITHIN_MM = 0.05  # over the whole sheet: a 300 dpi pixel is 0.085 mm, a good printer's own error 0.1 mm on 200


def _rasterised(pdf, page=0, dpi=DPI):
    """The page as (H, W) grey, and its (2,) mm per pixel, from the size that the file itself states."""
    document = pypdfium2.PdfDocument(pdf)
    sheet = document[page]
    picture = sheet.render(scale=dpi / 72, grayscale=True).to_numpy()
    picture = picture.reshape(picture.shape[:2]).copy()
    size_mm = np.array(sheet.get_size()) / 72 * MM_PER_INCH
    sheet.close()
    document.close()
    return picture, size_mm / picture.shape[::-1]


def _corners_mm(picture, mm_per_px, target):
    """Corners found by OpenCV, (N, 2) mm on the page, and where its board has them, (N, 2) mm."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target.dictionary))
    board = cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm, dictionary)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    corners = cv2.cornerSubPix(picture, np.float32(corners).reshape(-1, 1, 2), (10, 10), (-1, -1), stop)
    expected = board.getChessboardCorners()[np.ravel(ids)][:, :2]
    return (corners.reshape(-1, 2) + 0.5) * mm_per_px, expected


@pytest.mark.parametrize(
    ("target", "paper", "size_mm"),
    [
        (STANDARD_TARGET, A3, (420.0, 297.0)),
        (SMALL_TARGET, A4, (297.0, 210.0)),
        (SMALL_TARGET, LETTER, (279.4, 215.9)),
        (replace(SMALL_TARGET, squares=(6, 9), dictionary="DICT_4X4_50", marker_mm=16.0), A4, (210.0, 297.0)),
    ],
)
def test_true_size(target, paper, size_mm):
    sheet = draw_target(target, paper)
    assert sheet.pages == 1
    picture, mm_per_px = _rasterised(sheet.pdf)
    np.testing.assert_allclose(mm_per_px * picture.shape[::-1], size_mm, atol=0.01)
    found, expected = _corners_mm(picture, mm_per_px, target)
    assert len(found) == (target.squares[0] - 1) * (target.squares[1] - 1)
    off = found - expected
    assert np.abs(off - off.mean(axis=0)).max() < TRUE_WITHIN_MM


def test_rulers_are_true():
    """The long marks of the ruler below the pattern, found as dark columns, are 200 mm apart."""
    sheet = draw_target(STANDARD_TARGET, A3)
    picture, mm_per_px = _rasterised(sheet.pdf)
    found, expected = _corners_mm(picture, mm_per_px, STANDARD_TARGET)
    start = (found - expected).mean(axis=0)
    # every 50 mm a mark is 4 mm long, the others 2 mm: 3 mm below the ruler's line only the long ones are left
    row = round(float((start[1] + 252.0 + 7.0 + 3.0) / mm_per_px[1]))
    darkness = 255.0 - picture[row].astype(float)
    columns = np.flatnonzero(darkness > 60.0)
    groups = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    centres = np.array([np.average(g, weights=darkness[g]) for g in groups]) + 0.5
    np.testing.assert_allclose(np.diff(centres * mm_per_px[0]), 50.0, atol=TRUE_WITHIN_MM)
    assert len(centres) == 5


@pytest.mark.parametrize(("target", "paper"), [(SMALL_TARGET, A4), (SMALL_TARGET, LETTER), (STANDARD_TARGET, A3)])
def test_both_rulers_are_200_mm_long(target, paper):
    """First and last line of each ruler, found as ink in a strip across the long marks, all of it on the paper."""
    picture, mm_per_px = _rasterised(draw_target(target, paper).pdf)
    found, expected = _corners_mm(picture, mm_per_px, target)
    start = (found - expected).mean(axis=0)
    height = target.squares[1] * target.square_mm
    for axis, across_mm in ((0, start[1] + height + 7.0 + 3.0), (1, start[0] - 7.0 - 3.0)):
        index = round(float(across_mm / mm_per_px[1 - axis]))
        darkness = 255.0 - (picture[index] if axis == 0 else picture[:, index]).astype(float)
        places = np.flatnonzero(darkness > 60.0)
        if axis == 0:  # the other ruler's own line crosses the strip before the pattern
            places = places[places * mm_per_px[0] > start[0] - 1.0]
            places = places[places * mm_per_px[0] < start[0] + 205.0]  # nor the sheet's code, beyond the ruler
        groups = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
        centres = (np.array([np.average(g, weights=darkness[g]) for g in groups]) + 0.5) * mm_per_px[axis]
        np.testing.assert_allclose(np.diff(centres), 50.0, atol=TRUE_WITHIN_MM)
        assert len(centres) == 5
        assert centres[0] > 4.9
        assert centres[-1] < picture.shape[1 - axis] * mm_per_px[axis] - 4.9


READY = Path(__file__).parents[2] / "calibration_targets"


@pytest.mark.parametrize("path", sorted(READY.glob("*.pdf")), ids=lambda path: path.stem)
def test_ready_made_sheets_are_true_and_of_today(path):
    """The files that lie in calibration_targets: 0.05 mm over 200 mm, and what today's code draws, fine print too."""
    squares, square_mm, paper = path.stem.split("-")[1:4]
    assert squares == "10x7"
    target = next(t for t in (SMALL_TARGET, STANDARD_TARGET) if f"{t.square_mm:g}mm" == square_mm)
    picture, mm_per_px = _rasterised(path.read_bytes(), dpi=200)  # 0.05 mm is 0.4 px, of which corners tell a tenth
    found, expected = _corners_mm(picture, mm_per_px, target)
    off = found - expected
    apart = np.linalg.norm(found[:, None] - found[None], axis=-1)
    true = np.linalg.norm(expected[:, None] - expected[None], axis=-1)
    # any two corners: 0.05 mm in 200 mm
    assert np.abs(apart - true).max() < TRUE_WITHIN_MM * max(true.max() / 200.0, 1.0)
    assert np.abs(off - off.mean(axis=0)).max() < TRUE_WITHIN_MM
    today = draw_target(target, {"A4": A4, "A3": A3, "Letter": LETTER}[paper])
    assert today.name == path.name
    fresh, ready = (_rasterised(pdf, dpi=60)[0].astype(int) for pdf in (today.pdf, path.read_bytes()))
    assert np.mean(np.abs(fresh - ready) > 64) < 1e-3  # another font version may move a letter


def test_ready_made_sheets_are_complete():
    assert {path.name for path in READY.glob("*.pdf")} == {
        "charuco-10x7-24mm-A4.pdf",
        "charuco-10x7-24mm-Letter.pdf",
        "charuco-10x7-36mm-A3.pdf",
        "charuco-10x7-36mm-A4-tiles.pdf",
        "charuco-10x7-36mm-Letter-tiles.pdf",
    }


def test_the_fine_print_says_what_to_do():
    document = pypdfium2.PdfDocument(draw_target(SMALL_TARGET, A4).pdf)
    words = " ".join(document[0].get_textpage().get_text_range().split())
    document.close()
    for needed in ("100 %", "never fitted", "steel rule", "mm of 200", "scale = [along x / 200, along y / 200]"):
        assert needed in words


def test_nothing_is_drawn_as_pixels():
    assert b"/Subtype /Image" not in draw_target(SMALL_TARGET, A4).pdf


def test_the_same_board_gives_the_same_file():
    assert draw_target(SMALL_TARGET, A4).pdf == draw_target(SMALL_TARGET, A4).pdf


def test_what_fits_where():
    assert fits(STANDARD_TARGET, A3)
    assert not fits(STANDARD_TARGET, A4)
    assert fits(SMALL_TARGET, A4)
    assert fits(SMALL_TARGET, LETTER)


def test_tiles_join_to_the_whole_board():
    """The pages of a tiled board, laid where their own corners say, one on top of the other as on a light table."""
    sheet = draw_target(STANDARD_TARGET, A4)
    assert sheet.pages == 4
    joined = np.full((5600, 7200), 255, np.uint8)
    for page in range(sheet.pages):
        picture, mm_per_px = _rasterised(sheet.pdf, page)
        found, expected = _corners_mm(picture, mm_per_px, STANDARD_TARGET)
        off = found - expected
        assert np.abs(off - off.mean(axis=0)).max() < TRUE_WITHIN_MM
        left, top = np.round(800 - off.mean(axis=0) / mm_per_px).astype(int)
        place = joined[top : top + picture.shape[0], left : left + picture.shape[1]]
        np.minimum(place, picture, out=place)
    pixel = np.full(2, MM_PER_INCH / DPI)
    found, expected = _corners_mm(joined, pixel, STANDARD_TARGET)
    assert len(found) == 54
    off = found - expected
    assert np.abs(off - off.mean(axis=0)).max() < TRUE_WITHIN_MM + pixel[0] / 2  # pages were laid to whole pixels


def test_cuts_run_through_the_middle_of_squares():
    """Print goes 5 mm past the cut, so no corner lies near a seam."""
    picture, mm_per_px = _rasterised(draw_target(STANDARD_TARGET, A4).pdf)
    found, expected = _corners_mm(picture, mm_per_px, STANDARD_TARGET)
    start = (found - expected).mean(axis=0)
    first_row = picture[round(float((start[1] + 2.0) / mm_per_px[1]))]
    last_ink_mm = (np.flatnonzero(first_row < 128)[-1] + 1) * mm_per_px[0]
    assert (last_ink_mm - start[0] - 5.0) / 36.0 % 1.0 == pytest.approx(0.5, abs=0.01)


def test_ink_covers_what_opencv_draws():
    """Outlines filled by OpenCV at 14 px per square against its own picture of the board."""
    board = cv2.aruco.CharucoBoard((10, 7), 28.0, 14.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    target = replace(SMALL_TARGET, square_mm=28.0, marker_mm=14.0)
    theirs = board.generateImage((280, 196), marginSize=0) < 128
    ours = np.zeros((196 * 4, 280 * 4), np.uint8)
    for loop in board_outlines(target):
        hole = _area(loop) < 0.0
        cv2.fillPoly(ours, [np.round(loop * 4).astype(np.int32)], 0 if hole else 1, lineType=cv2.LINE_4)
    np.testing.assert_array_equal(ours[2::4, 2::4].astype(bool), theirs)


def _area(loop):
    x, y = loop.T
    return 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)


def test_outlines_of_cells_enclose_their_area():
    """Shoelace: outer boundaries positive, holes negative, together the number of cells."""
    ink = np.random.default_rng(1).random((9, 11)) < 0.55
    assert sum(_area(loop) for loop in cell_outlines(ink)) == pytest.approx(ink.sum())
    ring = np.ones((3, 3), bool)
    ring[1, 1] = False
    assert sorted(_area(loop) for loop in cell_outlines(ring)) == [-1.0, 9.0]


def test_keys_are_those_of_a_rig_file():
    read = parse_rig(f"{SHORT}\n[target]\n{target_keys(SMALL_TARGET)}\n").target
    assert (read.squares, read.square_mm, read.marker_mm, read.dictionary) == ((10, 7), 24.0, 18.0, "DICT_5X5_250")
