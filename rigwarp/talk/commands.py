"""Commands from afar, whatever carries them: which there are, what values they take, how they wait for a frame."""

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

Value = int | float | str | bytes | bool | None
MOST_WAITING: Final = 256
TAKES: Final[dict[str, tuple[str, ...]]] = {
    "show": ("text",),
    **dict.fromkeys(("go", "hold", "unmask", "undo", "redo", "reset", "status"), ()),
    **dict.fromkeys(("seek", "dark", "brightness", "black", "turn", "scale", "grid", "before", "code"), ("number",)),
    **dict.fromkeys(("shift", "even"), ("number", "number")),
    "spot": ("number",) * 5,
    "mask": ("points",),
}
"""What stands behind each name; "points" are x and y of three corners or more."""
LATEST_COUNTS: Final = {"seek", "brightness", "black", "shift", "turn", "scale", "dark", "even"}
"""Of several in one frame only the newest is carried out: a fader sends hundreds a second."""
_STEPS: Final = {"undo", "redo", "reset"}
CORRECTIONS: Final = {"brightness", "black", "shift", "turn", "scale", "even", "spot", "mask", "unmask"} | _STEPS
"""What changes the correction by hand, and with it its revision."""


class MalformedCommand(ValueError):
    """No such command, or values that it does not take."""


@dataclass(frozen=True, kw_only=True)
class Command:
    """A command with checked values: numbers are finite floats, texts are str.

    Attributes
    ----------
    revision : of the correction that the sender saw; the command is refused when it is another by now. None: any.
    number : by which the sender wants to hear what came of it; 0: nobody does.
    """

    name: str
    values: tuple[float | str, ...]
    sender: tuple[str, int]
    revision: int | None = None
    number: int = 0


class Inlet:
    """Where commands come from, wait for the frame loop, and are answered; none of it holds the loop up.

    Settings wait once each, in their newest place; of others not too many. Whoever asks for the status again before the
    next frame gets one answer. A command with a number is answered, so it never gives way to a later one.
    """

    def __init__(self) -> None:
        self._waiting: dict[object, Command] = {}
        self._keeping = threading.Lock()

    def keep(self, command: Command) -> bool:
        """Let it wait; False when too many do."""
        with self._keeping:
            if command.name in LATEST_COUNTS and not command.number:
                self._waiting.pop(command.name, None)
                self._waiting[command.name] = command
            elif len(self._waiting) < MOST_WAITING:
                self._waiting[command.sender if command.name == "status" else object()] = command
            else:
                return False
        return True

    def commands(self) -> list[Command]:
        """What has come since the last call, in order."""
        with self._keeping:
            found, self._waiting = list(self._waiting.values()), {}
        return found

    @property
    def wants_something(self) -> bool:
        """True when a command waits that changes something."""
        with self._keeping:
            return any(command.name != "status" for command in self._waiting.values())

    def answer(self, sender: tuple[str, int], text: str) -> None:
        """Send a status to whoever asked for it."""

    def done(self, command: Command, refused: str, revision: int) -> None:
        """Say what came of a numbered command; `refused` in a word, empty when it was carried out; the revision now."""

    def close(self) -> None:
        """No more."""


def checked_values(name: str, values: Sequence[Value]) -> tuple[float | str, ...]:
    """The values of a command as it takes them.

    Raises
    ------
    MalformedCommand
        When there is no such command, or its values are of another kind.
    """
    takes = TAKES.get(name)
    if takes is None:
        raise MalformedCommand(f"no such command: {name[:60]!r}")
    if takes == ("points",):
        if len(values) < 6 or len(values) % 2:
            raise MalformedCommand(f"{name}: {len(values)} values, expected x and y of three corners or more")
        takes = ("number",) * len(values)
    # a button without a value of its own often sends 1
    given = values if takes else ()
    if len(given) != len(takes):
        raise MalformedCommand(f"{name}: {len(given)} values, expected {len(takes)}")
    return tuple(map(_checked, takes, given))


def _checked(kind: str, value: Value) -> float | str:
    if kind == "text":
        if isinstance(value, str) and value:
            return value
    elif isinstance(value, int | float) and abs(value) < math.inf:
        return float(value)
    raise MalformedCommand(f"found {str(value)[:40]!r}, expected a {kind}")
