"""A table of a TOML file as a frozen dataclass: every key said once, with its meaning, default, limits and unit.

A field is called like its key unless `name` gives another; one that ends in `_rad` has the key that ends in `_deg`.
`scale` takes the file's unit to the field's; of degrees it is `DEGREES`.
"""

import math
from collections.abc import Callable
from dataclasses import Field, dataclass, field, fields
from typing import Any, Final, TypeVar

import numpy as np

from rigwarp.rig.section import ANY, MISSING, Limits, TomlSection

DEGREES: Final = math.pi / 180.0
_KEY = "key"
_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True)
class _Key:
    """Its name in the file where that is not the field's, and how it is read (None: by other code)."""

    name: str
    meaning: str
    read: Callable[[TomlSection, str], Any] | None

    def of(self, one: "Field[Any]") -> str:
        return self.name or (f"{one.name.removesuffix('_rad')}_deg" if one.name.endswith("_rad") else one.name)


def told_key(meaning: str, *, name: str = "", **default: Any) -> Any:
    """A field whose value takes more than reading a number: whoever reads the table hands it over."""
    return field(metadata={_KEY: _Key(name=name, meaning=meaning, read=None)}, **default)


def number_key(
    meaning: str, default: Any = MISSING, limits: Limits = ANY, *, name: str = "", scale: float = 1.0
) -> Any:
    """A number; with the default None it may be left out."""

    def read(section: TomlSection, key: str) -> float | None:
        absent = default is None and not section.has(key)
        return None if absent else scale * section.number(key, default=default, limits=limits)

    given: dict[str, Any] = {} if default is MISSING else {"default": None if default is None else scale * default}
    return field(metadata={_KEY: _Key(name=name, meaning=meaning, read=read)}, **given)


def whole_key(meaning: str, default: Any = MISSING, *, at_least: int, at_most: int) -> Any:
    """A whole number; with the default None it may be left out."""

    def read(section: TomlSection, key: str) -> int | None:
        absent = default is None and not section.has(key)
        return None if absent else section.whole(key, default=default, at_least=at_least, at_most=at_most)

    given: dict[str, Any] = {} if default is MISSING else {"default": default}
    return field(metadata={_KEY: _Key(name="", meaning=meaning, read=read)}, **given)


def vector_key(meaning: str, count: int, default: Any = MISSING, *, name: str = "", scale: float = 1.0) -> Any:
    """(count,) numbers; a default of one number stands for all of them."""
    usual = (default,) * count if isinstance(default, int | float) else default

    def read(section: TomlSection, key: str) -> Any:
        return scale * section.vector(key, count, default=usual)

    given: dict[str, Any] = {} if usual is MISSING else {"default_factory": lambda: scale * np.array(usual, float)}
    return field(metadata={_KEY: _Key(name=name, meaning=meaning, read=read)}, **given)


def pair_key(meaning: str, default: Any = MISSING, limits: Limits = ANY, *, name: str = "", scale: float = 1.0) -> Any:
    """Two numbers as a tuple."""

    def read(section: TomlSection, key: str) -> tuple[float, float]:
        first, second = section.numbers(key, 2, default=default, limits=limits)
        return scale * first, scale * second

    given: dict[str, Any] = {} if default is MISSING else {"default": tuple(scale * one for one in default)}
    return field(metadata={_KEY: _Key(name=name, meaning=meaning, read=read)}, **given)


def read_table(kind: type[_T], section: TomlSection, **given: Any) -> _T:
    """The dataclass that a table says; fields in `given` are taken as they are.

    Raises
    ------
    InputError
        On the first key that is missing or wrong.
    """
    left = [one.name for one in fields(kind) if one.name not in given]  # type: ignore[arg-type]
    return kind(**given, **read_keys(kind, section, *left))


def read_keys(kind: type, section: TomlSection, *only: str) -> dict[str, Any]:
    """Field -> value, of those fields of a dataclass of keys that are named here and that the table says by itself."""
    keys = [(one, one.metadata[_KEY]) for one in fields(kind) if _KEY in one.metadata and one.name in only]
    return {one.name: key.read(section, key.of(one)) for one, key in keys if key.read is not None}


def meanings_of(kind: type, *only: str) -> dict[str, str]:
    """Key -> what it means, of a dataclass of keys; of some of its fields alone where they are named."""
    keys = [(one, one.metadata[_KEY]) for one in fields(kind) if _KEY in one.metadata]
    return {key.of(one): key.meaning for one, key in keys if not only or one.name in only}
