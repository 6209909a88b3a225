"""What the person correcting sees on the table itself, drawn over the content."""

import textwrap
from collections.abc import Sequence
from itertools import chain

import numpy as np

from rigwarp.live.operate.operator import KEYS_HELP, Operator
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import AnyPicture, Picture, rgb_of
from rigwarp.prewarp.adjustment import unadjusted_mm
from rigwarp.rig import Content

_INK, _GROUND = (255, 214, 120), (0, 0, 0)
_LINE_LETTERS = 44
_TOP, _BOTTOM = 0.22, 0.38
"""Shares of the content's height below its middle: where lines begin, and where a round table still holds all."""
_MARK = (120, 220, 255)


def with_overlay(
    picture: AnyPicture, content: Content, operator: Operator, *, help_shown: bool, notes: Sequence[str] = ()
) -> Picture:
    """A copy of the picture with the present tool, the pointer and unfinished masks drawn on it; `notes` stand
    below the keys.

    Everything is given in table millimetres as seen, and drawn where the correction carries it back to.
    """
    drawing = TableDrawing.over(content, np.array(rgb_of(picture)))
    more = (*KEYS_HELP, *chain(*(textwrap.wrap(note, _LINE_LETTERS) for note in notes))) if help_shown else ()
    lines = [operator.words(), *more]
    letter_mm = max(min(content.size_mm) / 46.0, 3.0)
    x, y = content.centre_mm
    step_mm = 1.9 * letter_mm
    top = max(-_TOP * content.size_mm[1], (len(lines) - 1) * step_mm - _BOTTOM * content.size_mm[1])
    for number, line in enumerate(lines):
        at = (float(x), float(y) + top - number * step_mm)
        drawing.text(at, line, height_mm=letter_mm, colour=_INK, middle=True, ground=_GROUND)

    def seen(spot: tuple[float, float]) -> tuple[float, float]:
        back = unadjusted_mm(np.array(spot), content, operator.adjustment)
        return float(back[0]), float(back[1])

    if operator.pointer_mm is not None and operator.tool in ("spot", "mask"):
        spot = seen(operator.pointer_mm)
        reach = operator.reach_mm if operator.tool == "spot" else 4.0
        drawing.circle(spot, reach, width_mm=0.8, colour=_MARK)
        for dx, dy in ((6.0, 0.0), (0.0, 6.0)):
            drawing.line((spot[0] - dx, spot[1] - dy), (spot[0] + dx, spot[1] + dy), width_mm=0.8, colour=_MARK)
    for corner in operator.corners:
        drawing.circle(seen(corner), 2.0, width_mm=None, colour=_MARK)
    return drawing.picture
