"""What a command says: results on stdout (text, or one JSON object), everything else on stderr."""

import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

from rigwarp.commands.lines import columns_of, filled, table_lines, together
from rigwarp.files import RigFolder, plain_json
from rigwarp.jobs.next_step import next_step
from rigwarp.jobs.progress import uncounted
from rigwarp.words import Glosses, number

CAUTION: Final = (
    "Caution: this software draws light patterns; it does not make a projector, mirror or building safe. Follow the "
    "projector maker's instructions and the risk-group or laser-class label on it. Place the beam so that nobody's "
    "eyes can be brought into it or its reflection, children's included. A curved mirror changes where and how "
    "strongly the light is concentrated. A concave mirror focuses sunlight and can start a fire: cover it when it is "
    "not in use. Patterns and content can flash; people with photosensitive epilepsy can be harmed: warn visitors and "
    "give a way to stop it. Local codes, the venue and licensed professionals have the last word."
)
_CAUTION_WIDTH = 80  # where nobody says how wide lines may be


class Console:
    """Where a command writes; lines fit into the terminal where there is one, a pipe gets them whole.

    Parameters
    ----------
    json : True: stdout gets exactly one JSON object, from `result`, and `say` and `table` write nothing.
    """

    def __init__(self, *, json: bool = False) -> None:
        self._json = json
        self._finished = False
        self._glosses = Glosses()

    def say(self, text: str = "", *, as_is: bool = False) -> None:
        """A line of the result, for people; `as_is`: lines to be copied, which are never broken."""
        if self._json:
            return
        _write(text if as_is else filled(text, columns_of(sys.stdout)), sys.stdout)
        self._explain(text)

    def table(self, rows: Sequence[Sequence[object]], *, head: Sequence[str] = ()) -> None:
        """Rows in aligned columns, for people; numbers to the right, text to the left."""
        if self._json or not rows:
            return
        right = [all(isinstance(row[i], int | float) or row[i] is None for row in rows) for i in range(len(rows[0]))]
        cells = [[_cell(value) for value in row] for row in rows]
        for line in table_lines(cells, head=head, right=right, columns=columns_of(sys.stdout)):
            _write(line, sys.stdout)
        self._explain("\n".join(" ".join(row) for row in [list(head), *cells]))

    def _explain(self, text: str) -> None:
        """The words in it that have not been explained yet."""
        for word, meaning in self._glosses.first_used(text):
            _write(filled(f"    ({word}: {meaning})", columns_of(sys.stdout)), sys.stdout)

    def result(self, contents: Mapping[str, Any]) -> None:
        """The command's result as data: the one JSON object; nothing for people. Missing numbers become null."""
        if self._finished:
            raise RuntimeError("a command has one result")
        self._finished = True
        if self._json:
            _write(json.dumps(plain_json(contents), indent=2, ensure_ascii=False, allow_nan=False), sys.stdout)

    def note(self, text: str) -> None:
        """Something worth knowing that is no part of the result."""
        _write(filled(text, columns_of(sys.stderr)), sys.stderr)

    def caution(self) -> None:
        """The safety wording, for commands that turn light on."""
        _write(filled(CAUTION, columns_of(sys.stderr) or _CAUTION_WIDTH), sys.stderr)

    @contextmanager
    def stage(self, total: int, label: str) -> Iterator[Callable[..., None]]:
        """A progress bar on a terminal, nothing elsewhere; yields `advance(steps=1)`."""
        if not sys.stderr.isatty():
            yield uncounted
            return
        from rich.console import Console as Terminal  # only a terminal needs it
        from rich.progress import Progress

        # a stills camera takes seconds a photograph: the remaining time is worked out over minutes
        with Progress(console=Terminal(stderr=True), transient=True, speed_estimate_period=600.0) as bars:
            task = bars.add_task(label, total=total)

            def advance(steps: int = 1) -> None:
                bars.update(task, advance=steps)

            yield advance


def print_next(console: Console, folder: RigFolder) -> None:
    """The last line of a command: how things stand and what to type next."""
    step = next_step(folder)
    console.say()
    print_step(console, step.standing, step.command)


def print_step(console: Console, standing: str, command: str) -> None:
    """How things stand in one sentence, and the command whole, to be copied."""
    console.say(f"{standing} Next: {together(command)}")


def _cell(value: object) -> str:
    if value is None:
        return "-"
    return number(value) if isinstance(value, float) else str(value)


def _write(text: str, stream: Any) -> None:
    stream.write(text + "\n")
    stream.flush()
