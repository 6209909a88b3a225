"""What a command says: results on stdout (text, or one JSON object), everything else on stderr."""

import json
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

from rigwarp.files import plain_json

CAUTION: Final = (
    "Caution: this software draws light patterns; it does not make a projector, mirror or building safe. Follow the "
    "projector maker's instructions and the risk-group or laser-class label on it. Place the beam so that nobody's "
    "eyes can be brought into it or its reflection, children's included. A curved mirror changes where and how "
    "strongly the light is concentrated. A concave mirror focuses sunlight and can start a fire: cover it when it is "
    "not in use. Patterns and content can flash; people with photosensitive epilepsy can be harmed: warn visitors and "
    "give a way to stop it. Local codes, the venue and licensed professionals have the last word."
)
_TEXT_WIDTH = 100
_GAP = "  "


class Console:
    """Where a command writes.

    Parameters
    ----------
    json : bool
        True: stdout gets exactly one JSON object, from `result`, and `say` and `table` write nothing.
    """

    def __init__(self, *, json: bool = False) -> None:
        self._json = json
        self._finished = False

    @property
    def json(self) -> bool:
        """True when results are written as JSON."""
        return self._json

    def say(self, text: str = "") -> None:
        """A line of the result, for people."""
        if not self._json:
            _write(text, sys.stdout)

    def table(self, rows: Sequence[Sequence[object]], *, head: Sequence[str] = ()) -> None:
        """Rows in aligned columns, for people; numbers to the right, text to the left."""
        if self._json or not rows:
            return
        cells = [[_cell(value) for value in row] for row in rows]
        titled = [list(head), *cells] if head else cells
        widths = [max(len(row[i]) for row in titled) for i in range(len(titled[0]))]
        right = [all(isinstance(row[i], int | float) or row[i] is None for row in rows) for i in range(len(widths))]
        for row in titled:
            padded = [c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True)]
            _write(_GAP + _GAP.join(padded).rstrip(), sys.stdout)

    def result(self, contents: Mapping[str, Any]) -> None:
        """The command's result as data: the one JSON object; nothing for people. Missing numbers become null."""
        if self._finished:
            raise RuntimeError("a command has one result")
        self._finished = True
        if self._json:
            _write(json.dumps(plain_json(contents), indent=2, ensure_ascii=False, allow_nan=False), sys.stdout)

    def note(self, text: str) -> None:
        """Something worth knowing that is no part of the result."""
        _write(text, sys.stderr)

    def caution(self) -> None:
        """The safety wording, for commands that turn light on."""
        _write(textwrap.fill(CAUTION, _TEXT_WIDTH), sys.stderr)

    @contextmanager
    def stage(self, total: int, label: str) -> Iterator[Callable[..., None]]:
        """A progress bar on a terminal, nothing elsewhere; yields `advance(steps=1)`."""
        if not sys.stderr.isatty():
            yield _ignore
            return
        from rich.console import Console as Terminal  # only a terminal needs it
        from rich.progress import Progress

        with Progress(console=Terminal(stderr=True), transient=True) as bars:
            task = bars.add_task(label, total=total)

            def advance(steps: int = 1) -> None:
                bars.update(task, advance=steps)

            yield advance


def _ignore(steps: int = 1) -> None:
    """Progress that nobody watches."""


def _cell(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:.3f}" if isinstance(value, float) else str(value)


def _write(text: str, stream: Any) -> None:
    stream.write(text + "\n")
    stream.flush()
