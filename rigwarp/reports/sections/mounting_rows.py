"""How projector and mirror were found to be mounted, as a table: value, 1-sigma, and the tolerance that went in."""

import math
import re
from collections.abc import Mapping
from typing import Any

from rigwarp.reports.sections.page import Rows
from rigwarp.reports.wording import as_number, flat_rows, key_words, quantity, with_sigma

_FAR = 2.0  # tolerances from the design: worth a look at the rig file or the mounting
_MRAD_IN_DEG = math.degrees(1e-3)
# Unit in a key -> the unit that a report shows, and the factor to it.
_SHOWN = {"mm": ("mm", 1.0), "mrad": ("°", _MRAD_IN_DEG), "share": ("%", 100.0)}
_UNIT = re.compile(r"_(mm|mrad|share)(?=_|$)")


def mounting_table(pose: Mapping[str, Any]) -> Rows | None:
    """The `pose` block of as_built.json; None when it is empty.

    Entries {value, sigma, tolerance} become rows with four columns; a value that is missing was not told by the scan.
    Anything else is listed as it stands.
    """
    rows = []
    for key, entry in _flattened(pose).items():
        if isinstance(entry, Mapping):
            rows.append(_row(key, entry))
        else:
            rows += [(name, value, "", "", "") for name, value in flat_rows({key: entry})]
    if not rows:
        return None
    text = pose.get("from")
    note = "Shifts and turns along table axes, turns about the parts' own origins."
    return Rows(
        rows=rows,
        head=("How it is mounted, against rig.toml", "found", "1-sigma", "tolerance", ""),
        note=note + (f" {text[0].upper()}{text[1:]}." if isinstance(text, str) and text else ""),
    )


def _flattened(pose: Mapping[str, Any]) -> dict[str, Any]:
    """Entries of nested blocks beside the others."""
    flat: dict[str, Any] = {}
    for key, value in pose.items():
        if key == "from":
            continue
        if isinstance(value, Mapping) and value and all(isinstance(inner, Mapping) for inner in value.values()):
            flat |= value
        else:
            flat[key] = value
    return flat


def _row(key: str, entry: Mapping[str, Any]) -> tuple[str, str, str, str, str]:
    match = _UNIT.search(key)
    unit, factor = _SHOWN[match.group(1)] if match else ("", 1.0)
    name = key_words(_UNIT.sub("", key))
    value, sigma, tolerance = (factor * as_number(entry.get(part)) for part in ("value", "sigma", "tolerance"))
    allowed = quantity(tolerance, unit, 2)
    if not math.isfinite(value):
        return name, "not told by the scan", "", allowed, ""
    away = abs(value) / tolerance if tolerance > 0.0 else math.nan
    remark = f"{away:.1f} tolerances away" if away > _FAR else ""
    return name, *with_sigma(value, sigma, unit), allowed, remark
