"""Print-ready sheets of dots in rows and columns, for `rigwarp view verify --dots`: the proof that shares nothing."""

import numpy as np
from matplotlib.collections import EllipseCollection

from rigwarp.sheets.page import HAIRLINE_PT, TEXT_PT, blank_page, pdf_bytes
from rigwarp.sheets.pdf import SheetFormat
from rigwarp.view.printed.dots import DOT_SHARE

_MARGIN_MM, _FOOT_MM = 12.0, 26.0  # white around the dots; room below them for ruler and words
_BLACK = "#000000"


def dot_sheet(pitch_mm: float, paper: SheetFormat) -> tuple[str, bytes]:
    """File name, and one landscape page of dots half as wide as they are apart."""
    width, height = paper.size_mm[::-1]
    columns, rows = dots_on(pitch_mm, paper)
    x = (np.arange(columns) - (columns - 1) / 2) * pitch_mm + width / 2
    y = _MARGIN_MM + (np.arange(rows) + 0.5) * pitch_mm
    figure, axes = blank_page((width, height))
    size = np.full(columns * rows, DOT_SHARE * pitch_mm)
    middles = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    axes.add_collection(
        EllipseCollection(
            size, size, np.zeros(len(size)), units="xy", offsets=middles, offset_transform=axes.transData, fc=_BLACK
        )
    )
    foot = height - _FOOT_MM / 2
    axes.plot(x[[0, -1]], [foot, foot], _BLACK, lw=3 * HAIRLINE_PT)
    for end in x[[0, -1]]:
        axes.plot([end, end], [foot - 2, foot + 2], _BLACK, lw=2 * HAIRLINE_PT)
    length = (columns - 1) * pitch_mm
    words = (
        f"{length:g} mm from middle to middle. Print at 100 %, measure this line: rigwarp view verify RIG PHOTO --dots "
        f"{pitch_mm:g} x measured / {length:g}"
    )
    axes.text(width / 2, foot + 5, words, ha="center", fontsize=TEXT_PT)
    return f"dots-{pitch_mm:g}mm-{paper.name}.pdf", pdf_bytes([figure], "Dots")


def dots_on(pitch_mm: float, paper: SheetFormat) -> tuple[int, int]:
    """Columns and rows of dots on a sheet."""
    width, height = paper.size_mm[::-1]
    return int((width - 2 * _MARGIN_MM) // pitch_mm), int((height - _MARGIN_MM - _FOOT_MM) // pitch_mm)
