"""`rigwarp targets`: print-ready sheets of the ChArUco board."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import JsonOption
from rigwarp.errors import InputError, UsageError
from rigwarp.files import make_folder, open_rig, write_together
from rigwarp.rig import Rig, Target
from rigwarp.sheets.dot_page import dot_sheet
from rigwarp.sheets.page import target_keys
from rigwarp.sheets.pdf import A3, SHEET_FORMATS, SMALL_TARGET, STANDARD_TARGET, TargetSheet, draw_target, fits

_SMALLEST_MM, _LARGEST_MM = 8.0, 200.0  # of a square: fewer than ten camera pixels, and a dozen sheets, beyond these


def targets(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder for the sheets.")],
    rig: Annotated[
        Path | None, typer.Option(metavar="RIG", help="Draw the board that this rig's target keys describe.")
    ] = None,
    square_mm: Annotated[
        float | None,
        typer.Option(
            "--square",
            metavar="MM",
            min=_SMALLEST_MM,
            max=_LARGEST_MM,
            help="Instead: one board of 10 x 7 squares of this size, for larger or smaller tables.",
        ),
    ] = None,
    dots_mm: Annotated[
        float | None,
        typer.Option(
            "--dots",
            metavar="MM",
            min=_SMALLEST_MM,
            max=_LARGEST_MM / 4,
            help="Instead: sheets of dots so far apart, for rigwarp view verify.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Write print-ready PDF sheets of the board, for the hand and for the table, at true size.

    Each board comes for A4, US Letter and, where it needs it, A3: on one sheet if it fits, else as tiles to be joined.
    Without --rig and --square there are two boards: a large one (A3) and one that fits on A4 and Letter. Print at
    100 %, measure both rulers with a steel rule, and write measured / nominal along x and y into rig.toml as
    target.scale.
    """
    console = Console(json=json)
    if dots_mm is not None:
        if rig is not None or square_mm is not None:
            raise UsageError("--dots excludes --rig and --square: it writes sheets of dots, and no board")
        _write_dots(console, folder, dots_mm)
        return
    if rig is not None and square_mm is not None:
        raise UsageError("--rig and --square exclude each other: the rig's target keys say how large its squares are")
    known = None if rig is None else open_rig(rig, without_projector=True).rig
    boards = [("target", one) for one in (STANDARD_TARGET, SMALL_TARGET)] if known is None else _boards(known)
    if square_mm is not None:
        boards = [("target", replace(STANDARD_TARGET, square_mm=square_mm, marker_mm=0.75 * square_mm))]
    sheets = [sheet for _, board in boards for sheet in _sheets(board)]
    _write(folder, {sheet.name: sheet.pdf for sheet in sheets})
    console.table(
        [(sheet.name, sheet.paper, sheet.pages, _size(sheet.target)) for sheet in sheets],
        head=("file", "paper", "sheets", "pattern"),
    )
    for table, board in boards:
        console.say(f"\n[{table}] in rig.toml for the {_size(board)} board:")
        console.say(target_keys(board), as_is=True)
    console.say("\nPrint at 100 %, without fitting to the page. Measure both rulers with a steel rule and add:")
    console.say("scale = [measured / nominal along x, measured / nominal along y]")
    console.say(
        "Longer lengths and more of them tell more: read the four sides and both diagonals of the pattern, each"
    )
    console.say("twice and from another mark of the rule, and write these instead:")
    console.say("along_x_mm = [top, bottom, top, bottom]")
    console.say("along_y_mm = [left, right, left, right]")
    console.say("diagonals_mm = [one, the other, one, the other]\n")
    command = "rigwarp new my-rig"
    if known is not None:
        command = f"rigwarp check {rig}" if known.projects else f"rigwarp view trace {rig}"
    print_step(console, f"The sheets are in {folder}.", command)
    console.result(
        {
            "folder": folder,
            "sheets": [
                {
                    "file": sheet.name,
                    "paper": sheet.paper,
                    "pages": sheet.pages,
                    "squares": list(sheet.target.squares),
                    "square_mm": sheet.target.square_mm,
                    "marker_mm": sheet.target.marker_mm,
                    "dictionary": sheet.target.dictionary,
                }
                for sheet in sheets
            ],
        }
    )


def _boards(rig: Rig) -> list[tuple[str, Target]]:
    """That of [target], and that of [view.target] where it is another one; each with its table's name."""
    boards = [("target", rig.target)] if rig.projects or rig.view is None else []
    if rig.view is not None:
        boards.append(("view.target", rig.view.target))
    known: dict[tuple[object, ...], tuple[str, Target]] = {}
    for table, b in boards:
        known.setdefault((b.squares, b.square_mm, b.marker_mm, b.dictionary, b.layout), (table, b))
    return list(known.values())


def _sheets(board: Target) -> list[TargetSheet]:
    """One file per paper; A3 only for a board that needs it."""
    small = [paper for paper in SHEET_FORMATS if paper is not A3]
    papers = small if all(fits(board, paper) for paper in small) else SHEET_FORMATS
    return [draw_target(board, paper) for paper in papers]


def _write_dots(console: Console, folder: Path, pitch_mm: float) -> None:
    sheets = dict(dot_sheet(pitch_mm, paper) for paper in SHEET_FORMATS)
    _write(folder, sheets)
    console.say(f"wrote {', '.join(sheets)} into {folder}")
    console.say("Print at 100 %, measure the line below the dots, and lay the sheet where the view's mirrors show it.")
    console.result({"folder": folder, "sheets": [{"file": name, "dots_mm": pitch_mm} for name in sheets]})


def _size(board: Target) -> str:
    width, height = (n * board.square_mm for n in board.squares)
    return f"{width:g} x {height:g} mm"


def _write(folder: Path, sheets: dict[str, bytes]) -> None:
    """All the sheets or none: a name that is taken is found before anything is written."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: found a file, expected a folder (or nothing yet). Name another folder.")
    make_folder(folder)
    write_together(folder, sheets)
