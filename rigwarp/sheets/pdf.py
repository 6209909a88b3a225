"""Print-ready PDF sheets of a ChArUco board: vector drawing at true size, rulers to check the printer with, tiles."""

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from rigwarp.rig import Target
from rigwarp.sheets.page import SheetLayout, least_size, sheet_page
from rigwarp.sheets.tiles import tile_pages


@dataclass(frozen=True, kw_only=True)
class SheetFormat:
    """A sheet of paper; `size_mm` is (short side, long side)."""

    name: str
    size_mm: tuple[float, float]


A4 = SheetFormat(name="A4", size_mm=(210.0, 297.0))  # ISO 216
A3 = SheetFormat(name="A3", size_mm=(297.0, 420.0))  # ISO 216
LETTER = SheetFormat(name="Letter", size_mm=(215.9, 279.4))  # ANSI/ASME Y14.1 size A
SHEET_FORMATS = (A4, LETTER, A3)

_COLUMN_MM = 12.0  # wider than it has to be: room for an arrow beside a board of several sheets

SMALL_TARGET = Target(
    squares=(10, 7),
    square_mm=24.0,
    marker_mm=18.0,
    dictionary="DICT_5X5_250",
    scale=(1.0, 1.0),
    centre_mm=np.zeros(2),
    rotation_rad=0.0,
)
"""A board that fits on A4 and on US Letter."""

STANDARD_TARGET = replace(SMALL_TARGET, square_mm=36.0, marker_mm=27.0)
"""The board that a rig file without other options uses; it fits on A3."""


@dataclass(frozen=True, kw_only=True)
class TargetSheet:
    """A finished file.

    Attributes
    ----------
    name : file name.
    pdf : its contents.
    pages : how many sheets of paper it takes (more than one: tiles to be joined).
    paper : name of the paper.
    target : the board on it, at nominal size.
    """

    name: str
    pdf: bytes
    pages: int
    paper: str
    target: Target


def fits(target: Target, paper: SheetFormat) -> bool:
    """Whether the board goes on one sheet, with its rulers and small print."""
    return _orientation(target, paper) is not None


def draw_target(target: Target, paper: SheetFormat) -> TargetSheet:
    """The board on one sheet, or as tiles on as many as it takes.

    Lengths in the file are exact; what the printer makes of them is what `scale` in rig.toml is for.
    """
    name = f"charuco-{target.squares[0]}x{target.squares[1]}-{target.square_mm:g}mm-{paper.name}"
    size = _orientation(target, paper)
    if size is not None:
        pdf = _pdf([sheet_page(SheetLayout(target=target, size_mm=size, paper=paper.name))])
        return TargetSheet(name=f"{name}.pdf", pdf=pdf, pages=1, paper=paper.name, target=target)
    width, height = least_size(target)
    layout = SheetLayout(target=target, size_mm=(width + _COLUMN_MM, height), paper=f"{paper.name}-tiles")
    pages = tile_pages(layout, paper.size_mm)
    return TargetSheet(name=f"{name}-tiles.pdf", pdf=_pdf(pages), pages=len(pages), paper=paper.name, target=target)


def _orientation(target: Target, paper: SheetFormat) -> tuple[float, float] | None:
    """The paper's (width, height) in the orientation that holds the board, or None."""
    needed = least_size(target)
    for size in (paper.size_mm[::-1], paper.size_mm):
        if needed[0] <= size[0] and needed[1] <= size[1]:
            return size
    return None


def _pdf(pages: Sequence[Figure]) -> bytes:
    buffer = io.BytesIO()
    about = {"Title": "ChArUco board", "Creator": "rigwarp", "Producer": None, "CreationDate": None}
    with mpl.rc_context({"path.simplify": False, "pdf.fonttype": 42}), PdfPages(buffer, metadata=about) as file:
        for page in pages:
            file.savefig(page)
    return buffer.getvalue()
