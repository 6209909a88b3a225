"""How projector and mirror were found to be mounted, as a table: value, 1-sigma, and the tolerance that went in."""

import math
import re

from rigwarp.files.records import PoseEntry, PoseRecord
from rigwarp.reports.sections.page import Rows
from rigwarp.reports.wording import as_number, flat_rows, key_words, quantity, with_sigma

_FAR = 2.0  # tolerances from the design: worth a look at the rig file or the mounting
_MRAD_IN_DEG = math.degrees(1e-3)
# Unit in a key -> the unit that a report shows, and the factor to it.
_SHOWN = {"mm": ("mm", 1.0), "mrad": ("°", _MRAD_IN_DEG), "share": ("%", 100.0)}
_UNIT = re.compile(r"_(mm|mrad|share)(?=_|$)")


def mounting_table(pose: PoseRecord) -> Rows | None:
    """The mounting; None when nothing is known of it. What is no entry is listed as it stands."""
    rows = [_row(key, entry) for key, entry in pose.entries.items()]
    rows += [(name, value, "", "", "") for name, value in flat_rows(pose.more)]
    if not rows:
        return None
    text = pose.from_
    note = "Shifts and turns along table axes, turns about the parts' own origins."
    return Rows(
        rows=rows,
        head=("How it is mounted, against rig.toml", "found", "1-sigma", "tolerance", ""),
        note=note + (f" {text[0].upper()}{text[1:]}." if text else ""),
    )


def _row(key: str, entry: PoseEntry) -> tuple[str, str, str, str, str]:
    match = _UNIT.search(key)
    unit, factor = _SHOWN[match.group(1)] if match else ("", 1.0)
    name = key_words(_UNIT.sub("", key))
    value, sigma, tolerance = (factor * as_number(one) for one in (entry.value, entry.sigma, entry.tolerance))
    allowed = quantity(tolerance, unit, 2)
    if not math.isfinite(value):
        return name, "not told by the scan", "", allowed, ""
    away = abs(value) / tolerance if tolerance > 0.0 else math.nan
    remark = f"{away:.1f} tolerances away" if away > _FAR else ""
    return name, *with_sigma(value, sigma, unit), allowed, remark
