"""Numbers and keys as a reader wants to see them."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rigwarp.files.records.record import finite
from rigwarp.words import number

# Longest first: a key's unit is its ending.
_UNITS = (
    ("_mm2", "mm²"),
    ("_mrad", "mrad"),
    ("_urad", "µrad"),
    ("_rad", "rad"),
    ("_deg", "°"),
    ("_mm", "mm"),
    ("_um", "µm"),
    ("_px", "px"),
    ("_s", "s"),
)
_NO_BREAK = "\u00a0"  # a number and its unit stay on one line
_WORDS = {"rms": "rms", "p95": "P95", "pv": "PV", "n": "number", "z": "z", "utc": "UTC"}


def key_words(key: str) -> str:
    """A file's key in words with its unit: "rms_without_power_um" -> "rms without power (µm)"."""
    for ending, unit in _UNITS:
        if key.endswith(ending) and len(key) > len(ending):
            return f"{_plain(key.removesuffix(ending))} ({unit})"
    return _plain(key)


def quantity(value: Any, unit: str, digits: int = 3) -> str:
    """A number and its unit; "-" without one where there is no number."""
    text = number(value, digits)
    return text if text == "-" else f"{text}{_NO_BREAK}{unit}"


def with_sigma(value: float, sigma: float, unit: str) -> tuple[str, str]:
    """A value and its uncertainty, to the decimals that the uncertainty (two digits) makes meaningful."""
    if not (math.isfinite(sigma) and sigma > 0.0):
        return quantity(value, unit), quantity(sigma, unit)
    decimals = min(max(1 - math.floor(math.log10(sigma)), 0), 6)
    return f"{value:.{decimals}f}{_NO_BREAK}{unit}", f"{sigma:.{decimals}f}{_NO_BREAK}{unit}"


def sentence(text: Any) -> str:
    """A clause as a sentence; nothing for what is no text."""
    return f"{text[0].upper()}{text[1:]}." if isinstance(text, str) and text else ""


def share(value: Any) -> str:
    """A share as per cent."""
    number = as_number(value)
    return f"{100.0 * number:.1f}{_NO_BREAK}%" if math.isfinite(number) else "-"


def flat_rows(contents: Mapping[str, Any], *, prefix: str = "") -> list[tuple[str, str]]:
    """Rows of key and value for a nested JSON object: short lists of numbers on one line, longer things as a count."""
    rows: list[tuple[str, str]] = []
    for key, value in contents.items():
        name = f"{prefix}{key_words(str(key))}"
        if isinstance(value, Mapping):
            rows += flat_rows(value, prefix=f"{name}: ") if value else [(name, "none")]
        else:
            rows.append((name, plain_value(value)))
    return rows


def plain_value(value: Any) -> str:
    """A JSON value on one line."""
    if value is None:
        return "-"
    if isinstance(value, str):
        return value
    if isinstance(value, Mapping):
        return "; ".join(f"{name} {text}" for name, text in flat_rows(value)) or "none"
    if isinstance(value, Sequence):
        if len(value) > 12:
            return f"{len(value)} entries"
        return ", ".join(plain_value(v) for v in value) or "none"
    return number(value)


def as_number(value: Any) -> float:
    """A finite number, else NaN."""
    return float(finite(value))


def _plain(key: str) -> str:
    words = [word for word in key.split("_") if word]
    if len(words) > 1 and words[0] == "n":
        words[0] = "number of"
    return " ".join(_WORDS.get(word, word) for word in words)
