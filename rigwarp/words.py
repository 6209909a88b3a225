"""Numbers as a reader wants to see them, and the trade's words that commands and reports cannot do without.

Terminal and report give a word's meaning where it is first used; demos/glossary.md lists these and more.
"""

import math
import re
from typing import Any, Final

_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_SMALLEST_POWER = -4  # smaller numbers have more zeros than one can count at a glance

MEANINGS: Final[dict[str, tuple[str, str]]] = {
    "P95": (r"\bP95\b", "95 % of the points are nearer than this"),
    "power": (r"\bpower\b", "how strongly the mirror curves on the whole, that is its radius"),
    "Z(n, m)": (
        r"\bZ\(\d|\bZernike",
        "Zernike terms, the usual shapes that a deviation is split into: Z(2, 0) is power, Z(2, ±2) a bend one way, "
        "Z(4, -2) a shape of fourth order that goes round twice",
    ),
    "k = 2": (r"\bk = 2\b", "twice the standard uncertainty: 95 % of such results are nearer to the truth"),
    "zone": (r"\bzones?\b", "a smooth piece of mirror: a panel, or what lies between two creases"),
    "the data cannot tell": (
        r"data cannot tell",
        "moved or bent that way, the mirror lights the same spots as before, so that no scan like this one can see it",
    ),
    "decentring": (r"\bdecentring\b", "the mirror moved sideways; on some shapes a small tilt undoes it"),
    "computed light": (
        r"[Cc]omputed light|[Mm]easured light",
        "follows from where the light goes, for a lens that shines alike in all directions; measured light, by the "
        "camera, has the falloff of projector and camera lens in it as well, so that the two differ",
    ),
    "turned over": (r"\bturned over\b", "light of one smooth mirror that overlaps itself, its picture mirrored there"),
    "fold": (r"(?<![/(])\bfold\b(?! over|[/)])", "the line along which a sheet is bent, or two panels meet"),
}
"""Word -> how to find it in a text, and what it means."""


class Glosses:
    """Tells what each word means, the first time that it is used."""

    def __init__(self) -> None:
        self._told: set[str] = set()

    def first_used(self, text: str) -> list[tuple[str, str]]:
        """(word, meaning) of those that stand in this text and stood in none before."""
        new = [w for w, (found, _) in MEANINGS.items() if w not in self._told and re.search(found, text)]
        self._told.update(new)
        return [(word, MEANINGS[word][1]) for word in new]


def number(value: Any, digits: int = 3) -> str:
    """A number with so many significant digits, as a power of ten only when tiny; "-" for what is no finite number."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if not isinstance(value, float) or not math.isfinite(value):
        return "-"
    if value == 0.0:
        return "0"
    power = math.floor(math.log10(abs(value)))
    if power < _SMALLEST_POWER:
        return f"{value / 10.0**power:.{digits - 1}f}·10{str(power).translate(_RAISED)}"
    return f"{value:.{max(digits - 1 - power, 0)}f}"


def short_number(value: float, digits: int = 3) -> str:
    """As `number`, without zeros at its end: for sentences."""
    text = number(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text and "·" not in text else text
