"""Corrections by hand that are asked for by command: from the page beside the table, or by messages to a port."""

from dataclasses import replace

import numpy as np

from rigwarp.live.operate.operator import Operator
from rigwarp.prewarp import Drag
from rigwarp.prewarp.adjustment import within_limits
from rigwarp.talk.commands import Command

_FURTHEST_MM = 1e4


def correct(operator: Operator, command: Command) -> None:
    """Carry out a command of `CORRECTIONS`; values beyond the limits are taken to them."""
    numbers = [value for value in command.values if isinstance(value, float)]
    now = operator.adjustment
    match command.name:
        case "brightness":
            operator.change(within_limits(now, brightness=numbers[0]))
        case "black":
            operator.change(within_limits(now, black_level=numbers[0]))
        case "shift":
            x, y = _near(numbers)
            operator.change(replace(now, shift_mm=(x, y)))
        case "turn":
            operator.change(within_limits(now, turn_deg=numbers[0]))
        case "scale":
            operator.change(within_limits(now, scale=numbers[0]))
        case "even":
            operator.change(within_limits(now, flatten_limit=numbers[0], flatten_falloff=numbers[1]))
        case "undo" | "redo" | "reset":
            getattr(operator, command.name)()
        case "spot":
            x, y, dx, dy, reach = _near(numbers)
            operator.take_along(Drag(at_mm=(x, y), by_mm=(dx, dy), reach_mm=max(abs(reach), 1.0)))
        case "mask":
            near = _near(numbers)
            operator.hide(tuple(zip(near[::2], near[1::2], strict=True)))
        case "unmask":
            operator.show_again()


def _near(numbers: list[float]) -> list[float]:
    near: list[float] = np.clip(numbers, -_FURTHEST_MM, _FURTHEST_MM).tolist()
    return near
