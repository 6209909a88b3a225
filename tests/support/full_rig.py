"""Rig files: one that says every key, one that says no more than it has to; and other mirrors in the former."""

import re
from pathlib import Path

_HERE = Path(__file__).parents[1] / "rig"
FULL = (_HERE / "full.toml").read_text()
SHORT = (_HERE / "short.toml").read_text()
CONIC = 'kind = "conic"\nradius_mm = 100.0\naperture_mm = [5, 40]'
TRIANGLE = "[[mirror.facet]]\ncorners_mm = [[0, 0, 0], [100, 0, 0], [0, 100, 0]]"


def with_mirror(lines: str, *, rest: str = "") -> str:
    """FULL with another [mirror]; `rest` are its sub-tables."""
    return re.sub(r"\[mirror\]\n(?:.+\n)+", lambda _: f"[mirror]\n{lines}\n{rest}\n", FULL)


def replaced(old: str, new: str, text: str = FULL) -> str:
    """A rig file with something in it replaced, which has to stand there once."""
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)
