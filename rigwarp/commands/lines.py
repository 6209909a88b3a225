"""Text and tables broken into lines that fit a terminal."""

import os
import re
import shutil
import textwrap
from collections.abc import Sequence
from itertools import zip_longest
from typing import Final, TextIO

TOGETHER: Final = "\u00a0"
"""A space at which no line ends; written as an ordinary one, so that a command can be copied."""
_WIDEST = 100  # longer lines are hard to read
_LEAST = 40
_GAP = "  "
_NARROWEST, _LEGIBLE = 12, 30  # of a column that is broken, and where that is not enough
_MARKER = re.compile(r" *(?:[-*] )?")


def columns_of(stream: TextIO) -> int | None:
    """How many columns lines may have: the terminal's, or what COLUMNS says; None: as they come, for a pipe or file."""
    if not ("COLUMNS" in os.environ or stream.isatty()):
        return None
    return min(max(shutil.get_terminal_size().columns, _LEAST), _WIDEST)


def together(words: str) -> str:
    """Words that stay on one line."""
    return words.replace(" ", TOGETHER)


def filled(text: str, columns: int | None) -> str:
    """Each line of a text broken at its spaces, what follows indented; a path is never broken."""
    if columns is not None:
        text = "\n".join("\n".join(_broken(line, columns)) for line in text.split("\n"))
    return text.replace(TOGETHER, " ")


def table_lines(
    rows: Sequence[Sequence[str]], *, head: Sequence[str] = (), right: Sequence[bool], columns: int | None
) -> list[str]:
    """Lines of a table whose columns stand below each other; the widest are broken where it is too wide."""
    titled = [list(row) for row in ([head, *rows] if head else rows)]
    widths = [max(len(row[i]) for row in titled) for i in range(len(right))]
    if columns is not None:
        widths = _fitting(titled, widths, columns)
    lines = []
    for row in titled:
        parts = [_broken(cell, width) for cell, width in zip(row, widths, strict=True)]
        for pieces in zip_longest(*parts, fillvalue=""):
            padded = [p.rjust(w) if r else p.ljust(w) for p, w, r in zip(pieces, widths, right, strict=True)]
            lines.append((_GAP + _GAP.join(padded)).rstrip().replace(TOGETHER, " "))
    return lines


def _fitting(rows: Sequence[Sequence[str]], widths: Sequence[int], columns: int) -> list[int]:
    """The widths with the widest made narrower, though not than their longest word, until all fit."""
    words = [max(len(word) for row in rows for word in [*row[i].split(" "), ""]) for i in range(len(widths))]
    least = [min(width, max(word, _NARROWEST)) for width, word in zip(widths, words, strict=True)]
    if len(_GAP) * len(least) + sum(least) > columns:  # for a long path: others in pieces would be no help
        least = [min(width, max(low, _LEGIBLE)) for width, low in zip(widths, least, strict=True)]
    fit = list(widths)
    while len(_GAP) * len(fit) + sum(fit) > columns:
        spare = [width - low for width, low in zip(fit, least, strict=True)]
        if max(spare) <= 0:
            break
        widest = max((i for i in range(len(fit)) if spare[i] > 0), key=lambda i: fit[i])
        fit[widest] -= 1
    return fit


def _broken(line: str, columns: int) -> list[str]:
    """One line as several, none longer than its longest word needs; at least one."""
    if len(line) <= columns:
        return [line]
    found = _MARKER.match(line)
    indent = found.end() if found else 0
    rest = " " * (indent if line[:indent].strip() or not indent else indent + 2)
    return textwrap.wrap(
        line[indent:],
        columns,
        initial_indent=line[:indent],
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    ) or [""]
