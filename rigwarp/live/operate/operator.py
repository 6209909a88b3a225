"""Somebody at the table corrects the content: keys and pointer in, a new adjustment out, with undo and redo.

Number keys choose what the arrow keys do; Shift makes a step ten times as large, Ctrl a tenth. The pointer takes a spot
along while a button is held, or sets the corners of a mask.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from rigwarp.prewarp import UNCHANGED, Adjustment, Drag
from rigwarp.prewarp.adjustment import DRAG_REACH_MM, MOST_CORNERS, MOST_DRAGS, within_limits
from rigwarp.prewarp.gain import LOWEST_GAIN
from rigwarp.talk.commands import Command

Tool = Literal["place", "turn", "size", "light", "black", "spot", "mask", "even"]
TOOLS: dict[str, Tool] = dict(zip("12345678", get_args(Tool), strict=True))
ARROWS = {"left": (-1, 0), "right": (1, 0), "up": (0, 1), "down": (0, -1)}
STEPS: dict[Tool, float] = {"place": 1.0, "turn": 0.1, "size": 0.001, "light": 0.02, "black": 0.002, "even": 0.05}
"""Of one press of an arrow, in mm, degrees and shares."""
_NUMBERS = {"size": "scale", "light": "brightness", "black": "black_level"}
"""Tools that change one number, and which."""
_COMMANDS = {"brightness": "brightness", "black": "black_level", "turn": "turn_deg", "scale": "scale"}
"""Commands that set one number, and which."""
_FURTHEST_MM = 1e4
STEP_REACH_MM = 5.0
_MOST_UNDO = 200
_LEAST_DRAG_MM = 0.05
"""A click without a movement is no drag."""
KEYS_HELP = (
    "1 place  2 turn  3 size  4 light",
    "5 black  6 spot  7 mask  8 even",
    "arrows: change   Shift x 10   Ctrl / 10",
    "U undo   Shift+U redo",
    "Backspace: as measured   K code of the page",
)


@dataclass(frozen=True, kw_only=True)
class Input:
    """One thing that the person did.

    Attributes
    ----------
    kind : "key", or the pointer's "press", "move", "release", "wheel".
    key : the key's name in lower case, for kind "key".
    shift, ctrl : held meanwhile.
    at_px : projector pixel under the pointer.
    turn : of the wheel.
    """

    kind: Literal["key", "press", "move", "release", "wheel"]
    key: str = ""
    shift: bool = False
    ctrl: bool = False
    at_px: tuple[int, int] = (0, 0)
    turn: int = 0


class Operator:
    """The correction in hand, and how it came about."""

    def __init__(self, adjustment: Adjustment = UNCHANGED) -> None:
        self.revision = 0
        self._adjustment = adjustment
        self.tool: Tool = "place"
        self.has_light = True  # whether there is measured light that could be evened out
        self.reach_mm = DRAG_REACH_MM
        self.pointer_mm: tuple[float, float] | None = None
        self.corners: list[tuple[float, float]] = []
        self._undo: list[Adjustment] = []
        self._redo: list[Adjustment] = []
        self._held: tuple[float, float] | None = None
        self._before = adjustment

    @property
    def adjustment(self) -> Adjustment:
        """The correction in hand; each one that takes its place counts `revision` up."""
        return self._adjustment

    @adjustment.setter
    def adjustment(self, adjustment: Adjustment) -> None:
        self._adjustment = adjustment
        self.revision += 1

    @property
    def steps(self) -> tuple[int, int]:
        """How many steps can be undone, and done again."""
        return len(self._undo), len(self._redo)

    def change(self, adjustment: Adjustment) -> None:
        """Take a new adjustment as one step that can be undone."""
        if adjustment == self.adjustment:
            return
        self._undo = [*self._undo, self.adjustment][-_MOST_UNDO:]
        self._redo.clear()
        self.adjustment = adjustment

    def undo(self) -> None:
        """One step back."""
        if self._undo:
            self._redo.append(self.adjustment)
            self.adjustment = self._undo.pop()

    def redo(self) -> None:
        """One undone step forward again."""
        if self._redo:
            self._undo.append(self.adjustment)
            self.adjustment = self._redo.pop()

    def reset(self) -> None:
        """Back to the measured map; can be undone like any step."""
        self.corners.clear()
        self.change(UNCHANGED)

    def key(self, key: str, *, shift: bool = False, ctrl: bool = False) -> bool:
        """Handle a key; True when it meant something."""
        if key in TOOLS:
            self.tool = TOOLS[key]
            self.corners.clear()
        elif key in ARROWS:
            factor = (10.0 if shift else 1.0) * (0.1 if ctrl else 1.0)
            self._step(*(factor * part for part in ARROWS[key]))
        elif key == "u":
            self.redo() if shift else self.undo()
        elif key == "backspace":
            self.reset()
        elif key == "return" and self.tool == "mask":
            corners, self.corners = tuple(self.corners), []
            if len(corners) >= 3:
                self.hide(corners)
        elif key == "delete" and self.tool == "mask":
            self.corners.pop() if self.corners else self.show_again()
        else:
            return False
        return True

    def pointer(self, what: Input, at_mm: tuple[float, float] | None) -> None:
        """Handle the pointer; `at_mm` is the table position under it, None where no light falls."""
        if what.kind == "wheel":
            self.reach_mm = float(np.clip(self.reach_mm + STEP_REACH_MM * what.turn, STEP_REACH_MM, 1000.0))
            return
        self.pointer_mm = at_mm if at_mm is not None else self.pointer_mm
        if what.kind == "release":
            self._let_go()
        elif at_mm is None:
            return
        elif what.kind == "press" and self.tool == "mask" and self._corners() < MOST_CORNERS:
            self.corners.append(at_mm)
        elif what.kind == "press" and self.tool == "spot" and len(self.adjustment.drags) < MOST_DRAGS:
            self._held, self._before = at_mm, self.adjustment
        elif what.kind == "move" and self._held is not None:
            by = (at_mm[0] - self._held[0], at_mm[1] - self._held[1])
            drag = Drag(at_mm=self._held, by_mm=by, reach_mm=self.reach_mm)
            self.adjustment = replace(self._before, drags=(*self._before.drags, drag))

    def take_along(self, drag: Drag) -> None:
        """A spot taken along; the one taken last goes another way instead when it is the same."""
        drags = self.adjustment.drags
        if drags and (drags[-1].at_mm, drags[-1].reach_mm) == (drag.at_mm, drag.reach_mm):
            drags = drags[:-1]
        if len(drags) < MOST_DRAGS:
            moved = math.hypot(*drag.by_mm) >= _LEAST_DRAG_MM
            self.change(replace(self.adjustment, drags=(*drags, drag) if moved else drags))

    def hide(self, corners: tuple[tuple[float, float], ...]) -> None:
        """A mask more."""
        if self._corners() + len(corners) <= MOST_CORNERS:
            self.change(replace(self.adjustment, masks=(*self.adjustment.masks, corners)))

    def show_again(self) -> None:
        """The last mask away."""
        self.change(replace(self.adjustment, masks=self.adjustment.masks[:-1]))

    def words(self) -> str:
        """What is being done, for the overlay."""
        now = self.adjustment
        return {
            "place": f"place   x {now.shift_mm[0]:+.1f} mm   y {now.shift_mm[1]:+.1f} mm",
            "turn": f"turn   {now.turn_deg:+.2f}°",
            "size": f"size   {100 * now.scale:.1f} %",
            "light": f"light   {100 * now.brightness:.0f} %",
            "black": f"black   {100 * now.black_level:.1f} %",
            "spot": f"spot   hold and drag, reach {self.reach_mm:.0f} mm   {len(now.drags)} done",
            "even": f"even   dim to {100 * self._even()[0]:.0f} %   rim darker by {100 * self._even()[1]:.0f} %"
            if self.has_light
            else "even   no measured light here",
            "mask": f"mask   {len(self.corners)} corners   Enter closes, Delete takes back",
        }[self.tool]

    def _step(self, right: float, up: float) -> None:
        now, both, step = self.adjustment, right + up, STEPS.get(self.tool, 0.0)
        if self.tool == "place":
            x, y = now.shift_mm
            self.change(replace(now, shift_mm=(_tidy(x + step * right), _tidy(y + step * up))))
        elif self.tool == "turn":  # left and up turn counter-clockwise
            turned = math.remainder(now.turn_deg + step * (up - right), 360.0)  # no limit, only other words for it
            self.change(replace(now, turn_deg=_tidy(turned)))
        elif self.tool in _NUMBERS:
            name = _NUMBERS[self.tool]
            self.change(within_limits(now, **{name: _tidy(getattr(now, name) + step * both)}))
        elif self.tool == "even":
            limit, falloff = self._even()
            limit, falloff = _tidy(limit + step * up), _tidy(falloff + step * right)
            self.change(within_limits(now, flatten_limit=limit, flatten_falloff=falloff))

    def _even(self) -> tuple[float, float]:
        """How far spots may be dimmed, and by how much the rim may be darker."""
        now = self.adjustment
        return (
            LOWEST_GAIN if now.flatten_limit is None else now.flatten_limit,
            0.0 if now.flatten_falloff is None else now.flatten_falloff,
        )

    def _corners(self) -> int:
        """Of all masks, the one in hand included."""
        return len(self.corners) + sum(len(mask) for mask in self.adjustment.masks)

    def _let_go(self) -> None:
        if self._held is None:
            return
        made, self._held = self.adjustment, None
        self.adjustment = self._before
        moved = made.drags[-1].by_mm if len(made.drags) > len(self._before.drags) else (0.0, 0.0)
        if np.hypot(*moved) >= _LEAST_DRAG_MM:
            self.change(made)


def correct(operator: Operator, command: Command) -> None:
    """Carry out a command of `CORRECTIONS`, from the page or a port; values beyond the limits are taken to them."""
    numbers = [value for value in command.values if isinstance(value, float)]
    near: list[float] = np.clip(numbers, -_FURTHEST_MM, _FURTHEST_MM).tolist()
    now, name = operator.adjustment, command.name
    if name in _COMMANDS:
        operator.change(within_limits(now, **{_COMMANDS[name]: numbers[0]}))
    elif name == "shift":
        operator.change(replace(now, shift_mm=(near[0], near[1])))
    elif name == "even":
        operator.change(within_limits(now, flatten_limit=numbers[0], flatten_falloff=numbers[1]))
    elif name == "spot":
        x, y, dx, dy, reach = near
        operator.take_along(Drag(at_mm=(x, y), by_mm=(dx, dy), reach_mm=max(abs(reach), 1.0)))
    elif name == "mask":
        operator.hide(tuple(zip(near[::2], near[1::2], strict=True)))
    elif name == "unmask":
        operator.show_again()
    else:
        getattr(operator, name)()  # undo, redo, reset


def _tidy(value: float) -> float:
    """Steps add up without 0.30000000000000004."""
    return round(value, 6)
