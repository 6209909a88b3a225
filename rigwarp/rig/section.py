"""One table of a rig file: typed access to its keys, with messages that say where, what, and what to do."""

import difflib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NoReturn

import numpy as np

from rigwarp.errors import InputError
from rigwarp.geometry.arrays import LARGEST, Array

MISSING: Final = object()
"""Default of a key that must be given."""

_SHOWN_CHARACTERS = 60  # a longer value would push the advice off the line
_SMALLEST_MM = 1e-6  # of a length that is not 0


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What a number may be. `above` and `below` are excluded, `at_least` and `at_most` included."""

    above: float = -math.inf
    below: float = math.inf
    at_least: float = -math.inf
    at_most: float = math.inf

    def allow(self, value: float) -> bool:
        """True for a value inside the limits."""
        return self.above < value < self.below and self.at_least <= value <= self.at_most

    def __str__(self) -> str:
        """The limits in words, to follow 'a number'."""
        if math.isfinite(self.at_least) and math.isfinite(self.at_most):
            return f" from {self.at_least:g} to {self.at_most:g}"
        if math.isfinite(self.above) and math.isfinite(self.below):
            return f" between {self.above:g} and {self.below:g}"
        words = {"above": self.above, "below": self.below, "of at least": self.at_least, "of at most": self.at_most}
        return "".join(f" {word} {value:g}" for word, value in words.items() if math.isfinite(value))


ANY: Final = Limits()
POSITIVE: Final = Limits(above=0.0)
NOT_NEGATIVE: Final = Limits(at_least=0.0)
SHARE: Final = Limits(at_least=0.0, at_most=1.0)
SHARE_BELOW_1: Final = Limits(at_least=0.0, below=1.0)


@dataclass(frozen=True, kw_only=True)
class TomlSection:
    """One table of a TOML document.

    Attributes
    ----------
    source : name of the file, for messages.
    path : where the table stands, such as `mirror.facet[1]`; empty for the document itself.
    values : the table.
    meanings : every key that may stand here and what it means.
    elsewhere : keys that mean something in another form of this table, and which form that is.
    """

    source: str
    path: str
    values: Mapping[str, Any]
    meanings: Mapping[str, str]
    elsewhere: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key in self.values:
            if key not in self.meanings:
                self._unknown(key)

    def has(self, key: str) -> bool:
        """True when the key is given."""
        return key in self.values

    def where(self, key: str) -> str:
        """The key's full path."""
        return f"{self.path}.{key}" if self.path else key

    def fail(self, key: str, *, found: str, expected: str, index: str = "", advice: str = "") -> NoReturn:
        """Refuse one key; `index` such as `[1]` points into a list; always an InputError."""
        base = key.partition("[")[0]
        advice = advice or f"Give {self.meanings[base]}."
        raise InputError(f"{self.source}: {self.where(key)}{index}: found {found}, expected {expected}. {advice}")

    def number(self, key: str, *, default: Any = MISSING, limits: Limits = ANY) -> float:
        """A finite number within limits."""
        value = self._value(key, default, f"a number{limits}")
        return self._number(key, "", value, limits) if key in self.values else float(value)

    def numbers(
        self, key: str, count: int | None, *, default: Any = MISSING, limits: Limits = ANY
    ) -> tuple[float, ...]:
        """A list of `count` numbers (any number of them for None), each within limits."""
        amount = f"{count} " if count is not None else ""
        expected = f"a list of {amount}numbers{' each' if str(limits) else ''}{limits}"
        value = self._value(key, default, expected)
        items = self._list(key, "", value, count, expected)
        return tuple(self._number(key, f"[{i}]", item, limits) for i, item in enumerate(items))

    def vector(self, key: str, count: int, *, default: Any = MISSING) -> Array:
        """(count,) numbers."""
        return np.array(self.numbers(key, count, default=default))

    def points(self, key: str) -> Array:
        """(N, 3) points from a list of lists of three numbers; N may be 0."""
        expected = "a list of points [x, y, z]"
        value = self._value(key, MISSING, expected)
        rows = [
            [
                self._number(key, f"[{i}][{j}]", item, ANY)
                for j, item in enumerate(self._list(key, f"[{i}]", row, 3, "a point [x, y, z]"))
            ]
            for i, row in enumerate(self._list(key, "", value, None, expected))
        ]
        return np.array(rows, float).reshape(-1, 3)

    def integers(self, key: str, count: int, *, at_least: int, at_most: int, default: Any = MISSING) -> tuple[int, ...]:
        """A list of `count` whole numbers from `at_least` to `at_most`."""
        expected = f"a list of {count} whole numbers"
        items = self._list(key, "", self._value(key, default, expected), count, expected)
        return tuple(self._whole(key, f"[{i}]", item, at_least, at_most) for i, item in enumerate(items))

    def whole(self, key: str, *, at_least: int, at_most: int, default: Any = MISSING) -> int:
        """A whole number from `at_least` to `at_most`."""
        value = self._value(key, default, f"a whole number from {at_least} to {at_most}")
        return self._whole(key, "", value, at_least, at_most)

    def text(self, key: str, *, default: Any = MISSING) -> str:
        """Text that is not blank."""
        value = self._value(key, default, "text")
        if not isinstance(value, str) or not value.strip():
            self.fail(key, found=describe(value), expected="text")
        return value

    def choice(self, key: str, choices: Sequence[str], *, default: Any = MISSING, named: str = "") -> str:
        """One of a few words; `named` says what they are where they are too many to be listed."""
        expected = named or listed([f'"{choice}"' for choice in choices])
        value = self._value(key, default, expected)
        if not isinstance(value, str) or value not in choices:
            self.fail(key, found=describe(value), expected=expected, advice=_nearest(value, choices, quote='"'))
        return value

    def section(self, key: str, meanings: Mapping[str, str], *, required: bool) -> "TomlSection":
        """The table under `key`; an empty one when it is absent and not required."""
        values = self.table(key) if required or key in self.values else {}
        return TomlSection(source=self.source, path=self.where(key), values=values, meanings=meanings)

    def table(self, key: str) -> Mapping[str, Any]:
        """The raw table under `key`, which must be there."""
        where = self.where(key)
        value = self._value(key, MISSING, f"a table [{where}]")
        if not isinstance(value, dict):
            self.fail(
                key, found=describe(value), expected=f"a table [{where}]", advice=f"Write [{where}] on its own line."
            )
        return value

    def sections(self, key: str, meanings: Mapping[str, str]) -> Iterator["TomlSection"]:
        """Each table of the array of tables under `key`, in order; none when it is absent."""
        where = self.where(key)
        value = self.values.get(key, [])
        advice = f"Write [[{where}]] with double brackets."
        if not isinstance(value, list):
            self.fail(key, found=describe(value), expected=f"tables [[{where}]]", advice=advice)
        for i, values in enumerate(value):
            if not isinstance(values, dict):
                self.fail(key, index=f"[{i}]", found=describe(values), expected=f"a table [[{where}]]", advice=advice)
            yield TomlSection(source=self.source, path=f"{where}[{i}]", values=values, meanings=meanings)

    def _unknown(self, key: str) -> NoReturn:
        place = f"the table {self.path}" if self.path else "the top level of the file"
        if key in self.elsewhere:
            advice = f"{key} belongs to {self.elsewhere[key]}: remove it or change that."
        else:
            advice = _nearest(key, list(self.meanings))
        raise InputError(
            f"{self.source}: {self.where(shown_key(key))}: found an unknown key in {place}, "
            f"expected one of {', '.join(self.meanings)}. {advice}"
        )

    def _value(self, key: str, default: Any, expected: str) -> Any:
        if key not in self.values and default is MISSING:
            self.fail(key, found="nothing", expected=expected, advice=f"Add {key}: {self.meanings[key]}.")
        return self.values.get(key, default)

    def _list(self, key: str, index: str, value: Any, count: int | None, expected: str) -> list[Any]:
        if isinstance(value, tuple):
            value = list(value)
        if not isinstance(value, list):
            self.fail(key, index=index, found=describe(value), expected=expected)
        if count is not None and len(value) != count:
            if count < len(value) <= 2 * count and all(isinstance(one, int) for one in value):
                expected += " with decimal points (45.5), not commas"
            self.fail(key, index=index, found=f"{len(value)} of them ({describe(value)})", expected=expected)
        return value

    def _whole(self, key: str, index: str, value: Any, at_least: int, at_most: int) -> int:
        if type(value) is not int or not at_least <= value <= at_most:
            expected = f"a whole number from {at_least} to {at_most}"
            self.fail(key, index=index, found=describe(value), expected=expected)
        return value

    def _number(self, key: str, index: str, value: Any, limits: Limits) -> float:
        number = math.nan
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = float(value) if abs(value) < LARGEST else math.nan
        if not math.isfinite(number) or not limits.allow(number):
            self.fail(key, index=index, found=describe(value), expected=f"a number{limits}")
        length = key.endswith("_mm") and not key.endswith("_per_mm") and not key.startswith("coefficients")
        least = _SMALLEST_MM if length else 1.0 / LARGEST
        if 0.0 < abs(number) < least:
            self.fail(key, index=index, found=describe(value), expected=f"0, or a number of at least {least:g}")
        return number


def section_by(
    document: TomlSection,
    path: str,
    values: Mapping[str, Any],
    key: str,
    common: Mapping[str, str],
    forms: Mapping[str, Mapping[str, str]],
    *,
    told: str,
) -> tuple[TomlSection, str]:
    """A table at `path` whose `key` decides which of some forms it has, with keys beside the `common` ones; and which.

    `told` says where a key of another form belongs, such as 'areas of shape = {others}, and this one is a {form}'.
    """
    given = {key: values[key]} if key in values else {}
    probe = TomlSection(source=document.source, path=path, values=given, meanings={key: common[key]})
    form = probe.choice(key, list(forms))
    elsewhere = {}
    for name in {name for names in forms.values() for name in names} - set(forms[form]):
        others = listed([f'"{other}"' for other, names in forms.items() if name in names])
        elsewhere[name] = told.format(others=others, form=form)
    meanings = {**common, **forms[form]}
    section = TomlSection(source=document.source, path=path, values=values, meanings=meanings, elsewhere=elsewhere)
    return section, form


def describe(value: Any) -> str:
    """A TOML value in words, on one line."""
    if isinstance(value, bool):
        return f"{str(value).lower()} (a truth value)"
    if isinstance(value, int | float):
        return _shortened(repr(value))
    if isinstance(value, str):
        return _shortened(f'the text "{value.encode("unicode_escape").decode("ascii")}"')
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return _shortened(f"the list {value!r}") if value else "an empty list"
    return f"{value} (a date or time)"


def shown_key(key: str) -> str:
    """A key as it would stand in the file: bare where TOML allows it, quoted otherwise."""
    if key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key):
        return key
    return _shortened('"' + key.encode("unicode_escape").decode("ascii") + '"')


def listed(words: Sequence[str]) -> str:
    """'a, b or c'; '' for no words."""
    return " or ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def _shortened(text: str) -> str:
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "..."


def _nearest(word: Any, words: Sequence[str], *, quote: str = "") -> str:
    """A sentence that names the most similar known word, or that says to remove or to choose."""
    if isinstance(word, str):
        folded = {known.lower(): known for known in words}
        near = difflib.get_close_matches(word.lower(), list(folded), n=1, cutoff=0.5)
        if near:
            return f"Did you mean {quote}{folded[near[0]]}{quote}?"
    return "Choose one of them." if quote else "Correct its spelling or remove it."
