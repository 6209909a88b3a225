"""What commands say about the page beside the table."""

import sys
from collections.abc import Mapping, Sequence
from typing import Any, Final

from rigwarp.commands.console import Console
from rigwarp.defaults import LOCAL
from rigwarp.errors import UsageError
from rigwarp.jobs.page import LANGUAGES, PageOptions

_HALVES: Final = {("0", "0"): "█", ("0", "1"): "▀", ("1", "0"): "▄", ("1", "1"): " "}
"""Two rows of a code in a line: light where the terminal's letters are, as most terminals are dark."""
_QUIET = 2
_OPEN_TO_ALL: Final = (
    "The page is open to the network, and nothing on the way is encrypted: whoever can listen there can read what it "
    "says, its key too. Use it in a network that visitors cannot join."
)


def page_options(
    port: int, host: str, names: Sequence[str] | None, language: str, *, call: str = "", code: bool = False
) -> PageOptions:
    """The options as given; UsageError for a language that there is not."""
    if language and language not in LANGUAGES:
        raise UsageError(f"--lang {language}: expected one of {', '.join(LANGUAGES)}")
    return PageOptions(port=port, host=host, names=tuple(names or ()), language=language, call=call, code=code)


def print_address(console: Console, address: Mapping[str, Any], host: str) -> None:
    """Where the page is. Its key is told to a terminal alone: what goes elsewhere is kept by somebody."""
    if host not in (LOCAL, "localhost", "::1"):
        console.note(_OPEN_TO_ALL)
    if not sys.stderr.isatty():
        console.note(f"The page is at {address['plain']}; its keys are in page.key in the rig folder.")
        return
    sys.stderr.write("\n".join(code_lines(address["code"])) + "\n")
    console.note(f"The page, to operate: {address['operate']}")
    console.note(f"To look only: {address['view']}")
    console.note("Photograph the code with the tablet; k shows it on the table for a minute.")


def code_lines(rows: Sequence[str]) -> list[str]:
    """A two-dimensional code as text, two rows a line, with a light margin."""
    width = len(rows[0]) + 2 * _QUIET
    margin = ["0" * width] * _QUIET
    whole = [*margin, *("0" * _QUIET + row + "0" * _QUIET for row in rows), *margin]
    whole += ["1" * width] * (len(whole) % 2)
    return [
        "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(whole[::2], whole[1::2], strict=True)
    ]
