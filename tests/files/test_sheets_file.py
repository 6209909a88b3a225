"""Corners of sheets on file: places on the print follow a print that is measured better afterwards."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.files.sheets_file import read_sheets, write_sheets
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.view.printed.found import SheetCorners


class Part:
    """Of a view: one surface, zone 0."""

    first_zone, zones = 0, range(1)


def test_places_follow_the_print_s_scale(tmp_path):
    board = np.array([[36.0, 36.0, 0.0], [72.0, 108.0, 0.0]])
    one = SheetCorners(
        photo=0,
        part=None,
        zone=0,
        pixels_px=np.array([[10.0, 20.0], [30.0, 40.0]]),
        board_mm=board * [1.002, 0.998, 1.0],
        square_px=np.full(2, 25.0),
        flipped=True,
    )
    path, measured = tmp_path / "sheets.npz", replace(STANDARD_TARGET, scale=(1.002, 0.998))
    write_sheets(path, [one], measured, photos=["a.png"])
    (same,), names = read_sheets(path, [Part], measured)
    assert names == ["a.png"]
    np.testing.assert_array_equal(same.board_mm, one.board_mm)
    (better,), _ = read_sheets(path, [Part], replace(measured, scale=(1.0015, 0.9985)))
    assert better.board_mm == pytest.approx(board * [1.0015, 0.9985, 1.0])
