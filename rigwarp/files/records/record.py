"""How a record is read from JSON values and turned into them: by the types of its fields.

Old results lack keys, and people edit files. So a key that is not there is None, null is NaN where a number is
expected, a value of another form than expected is left out, and keys that no field names are kept in `more`.
"""

import json
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, ClassVar, Final, Self, get_args, get_origin, get_type_hints

from rigwarp.errors import InputError
from rigwarp.files.atomic import plain_json, write_json
from rigwarp.files.reading import read_json, read_text

Number = int | float | None
"""None: not in the file. NaN: in the file without a value (null)."""
Numbers = tuple[float, ...] | None
Pairs = tuple[tuple[float, float], ...] | None
Texts = tuple[str, ...]
Text = str | None
Flag = bool | None
Ids = tuple[int, ...] | int | None
"""Numbers of things; or only how many there are."""
Figures = Mapping[str, float] | None
"""Numbers by name; NaN without a value."""
Block = Mapping[str, Any] | None
"""JSON values whose keys the record does not know."""
_MORE = "more"


@dataclass(frozen=True, kw_only=True)
class Part:
    """A JSON object. A field's name is its key; an underscore at the end ("from_") is not part of the key.

    Attributes
    ----------
    more : what the file holds beside the fields, by key, in the file's order.
    """

    more: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_dict(cls, contents: Mapping[str, Any]) -> Self:
        """The record of JSON values; never fails, see the module's first lines."""
        hints = get_type_hints(cls)
        names = {one.name.rstrip("_"): one.name for one in fields(cls) if one.name != _MORE}
        found = {name: _picked(hints[name], contents[key]) for key, name in names.items() if key in contents}
        return cls(**found, more={key: value for key, value in contents.items() if key not in names})

    @classmethod
    def of(cls, computed: Any, **beside: Any) -> Self:
        """The record of what was computed: its attributes that are called like fields, and fields `beside` them.

        NaN and None where a number is expected are both NaN: written, without a value.
        """
        named = {one.name: getattr(computed, one.name) for one in fields(cls) if hasattr(computed, one.name)}
        parts = {
            name: value
            for name, value in beside.items()
            if any(isinstance(one, Part) for one in (value if isinstance(value, tuple) else (value,)))
        }
        return replace(cls.from_dict(plain_json({**named, **beside, **dict.fromkeys(parts)})), **parts)

    def to_dict(self) -> dict[str, Any]:
        """JSON values of everything that is there; `from_dict` gives the same record again."""
        values = {one.name.rstrip("_"): getattr(self, one.name) for one in fields(self) if one.name != _MORE}
        return {**{key: _plain(value) for key, value in values.items() if value is not None}, **self.more}


@dataclass(frozen=True, kw_only=True)
class Distances(Part):
    """How many lengths of errors there are, and their rms, 95th percentile and largest, mm."""

    n: Number = None
    rms_mm: Number = None
    p95_mm: Number = None
    max_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class Record(Part):
    """A whole file."""

    FORMAT: ClassVar[str]

    @classmethod
    def read(cls, path: Path, *, make_with: str = "") -> Self:
        """The record in a file; InputError if the file is missing, damaged, or of another format or version."""
        return cls.from_dict(read_json(path, format=cls.FORMAT, make_with=make_with))

    @classmethod
    def read_or_none(cls, path: Path) -> Self | None:
        """The record in a file; None where that is missing or cannot be used."""
        try:
            return cls.read(path)
        except InputError:
            return None

    @classmethod
    def read_any(cls, path: Path) -> Self:
        """The record in a file of any version: a report shows what it can.

        Raises
        ------
        InputError
            If the file is missing or damaged, or no file of ours.
        """
        text = read_text(path)
        try:
            contents = json.loads(text)
            name, version = contents.get("format"), contents.get("version")
        except (ValueError, AttributeError, RecursionError):
            name, version = None, None
        if not (isinstance(name, str) and name.startswith("rigwarp")):
            raise InputError(f"{path}: found no rigwarp file in it. Make the result again.")
        return cls.from_dict(read_json(path, format=name, version=version))

    def write(self, path: Path, *, replace: bool = False) -> None:
        """Write the file; InputError if it cannot be written, or exists and is not to be replaced."""
        write_json(path, self.to_dict(), format=self.FORMAT, replace=replace)


def finite(value: Any) -> int | float:
    """A finite number as it stands, else NaN."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    return value if abs(value) <= sys.float_info.max else math.nan  # NaN, infinities and integers beyond a float


def _pairs(value: Any) -> Pairs:
    if not isinstance(value, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
        return None
    return tuple((finite(x), finite(y)) for x, y in value)


def _ids(value: Any) -> Ids:
    if isinstance(value, list):
        return tuple(value)
    return value if type(value) is int else None


_PICK: Final[dict[Any, Callable[[Any], Any]]] = {
    int: lambda value: value if type(value) is int else -1,  # which means nothing
    Number: finite,
    Numbers: lambda value: tuple(finite(one) for one in value) if isinstance(value, list | tuple) else None,
    Pairs: _pairs,
    Texts: lambda value: tuple(one for one in value if isinstance(one, str)) if isinstance(value, list) else (),
    Text: lambda value: value if isinstance(value, str) else None,
    Flag: lambda value: value if isinstance(value, bool) else None,
    Ids: _ids,
    Figures: lambda value: (
        {str(key): float(finite(one)) for key, one in value.items()} if isinstance(value, Mapping) else None
    ),
    Block: lambda value: value if isinstance(value, Mapping) else None,
}


def _picked(hint: Any, value: Any) -> Any:
    """A JSON value as the field's type wants it."""
    if hint in _PICK:
        return _PICK[hint](value)
    part = get_args(hint)[0]
    if get_origin(part) is tuple:
        return _picked(part, value)
    if get_origin(hint) is tuple:
        listed = value if isinstance(value, list) else []
        return tuple(part.from_dict(one) for one in listed if isinstance(one, Mapping))
    return part.from_dict(value) if isinstance(value, Mapping) and value else None


def _plain(value: Any) -> Any:
    if isinstance(value, Part):
        return value.to_dict()
    return [_plain(one) for one in value] if isinstance(value, tuple) else value
