"""What a browser may say to the page, read strictly: anything else is no message."""

import json
import re
from dataclasses import dataclass
from typing import Any, Final

from rigwarp.page.guard import MESSAGE_BYTES
from rigwarp.talk.commands import TAKES

JOBS: Final = ("calibrate", "verify", "look", "reregister", "camera", "stop")
DOCUMENTS: Final = ("report", "map.npz", "prewarp.npz", "obj", "npz")
_RUN = re.compile(r"\d{8}T\d{6}Z(-\d{1,3})?")
_MOST_VALUES, _MOST_LETTERS = 400, 400
_MOST_NUMBER = 1 << 53
_NOT_FROM_HERE: Final = {"status", "seek"}
_KEYS: Final = {
    "key": {"key"},
    "do": {"do", "values", "revision", "number"},
    "job": {"job", "number"},
    "use": {"use", "number"},
    "open": {"open", "what", "number"},
    "pictures": {"pictures"},
}


class NoMessage(ValueError):
    """Something that a browser of ours never says."""


@dataclass(frozen=True, kw_only=True)
class Said:
    """One message.

    Attributes
    ----------
    kind : "key", "do", "job", "use" (make a result current), "open" (a document of a result), "pictures" (on or off).
    what : the key, the command, the job, or the result's name.
    values : of a command; of "open" which document.
    revision : of the correction that was seen.
    number : by which an answer is wanted.
    """

    kind: str
    what: str
    values: tuple[float | str, ...] = ()
    revision: int | None = None
    number: int = 0


def parse_message(text: str | bytes) -> Said:
    """The message in a text; NoMessage when it is none."""
    if not isinstance(text, str) or len(text) > MESSAGE_BYTES:
        raise NoMessage("expected a short text")
    try:
        contents = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise NoMessage("expected JSON") from None
    kinds = [kind for kind in _KEYS if isinstance(contents, dict) and kind in contents]
    if len(kinds) != 1 or not set(contents) <= _KEYS[kinds[0]]:
        raise NoMessage("expected one of the messages of this page")
    return _said(kinds[0], contents)


def _said(kind: str, contents: dict[str, Any]) -> Said:
    number = _whole(contents.get("number", 0))
    if kind == "pictures":
        if not isinstance(contents[kind], bool):
            raise NoMessage("pictures: expected true or false")
        return Said(kind=kind, what="on" if contents[kind] else "off")
    what = _text(contents[kind])
    if kind == "do":
        if what not in TAKES or what in _NOT_FROM_HERE:
            raise NoMessage("no such command")
        revision = contents.get("revision")
        return Said(
            kind=kind,
            what=what,
            values=_values(contents.get("values", [])),
            revision=None if revision is None else _whole(revision),
            number=number,
        )
    if kind == "job" and what not in JOBS:
        raise NoMessage("no such job")
    if kind in ("use", "open") and not _RUN.fullmatch(what):
        raise NoMessage("no name of a result")
    if kind == "open":
        document = _text(contents.get("what"))
        if document not in DOCUMENTS:
            raise NoMessage("no such document")
        return Said(kind=kind, what=what, values=(document,), number=number)
    return Said(kind=kind, what=what, number=number)


def _values(values: Any) -> tuple[float | str, ...]:
    if not isinstance(values, list) or len(values) > _MOST_VALUES:
        raise NoMessage("values: expected a short list")
    return tuple(_text(one) if isinstance(one, str) else _number(one) for one in values)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
        raise NoMessage("expected a number")
    return float(value)


def _whole(value: Any) -> int:
    if type(value) is not int or not 0 <= value < _MOST_NUMBER:
        raise NoMessage("expected a whole number")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= _MOST_LETTERS:
        raise NoMessage("expected a text")
    return value


def _no_constant(word: str) -> float:
    """NaN and infinities are Python's, not JSON's."""
    raise NoMessage(f"{word} is no JSON")
