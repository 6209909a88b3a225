"""verification.json of a view: printed sheets laid elsewhere, measured through its map."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Number, Numbers, Part, Record, Text, Texts


@dataclass(frozen=True, kw_only=True)
class SheetCheckRecord(Part):
    """One photograph's sheet: where it lay, how many corners, their errors, and how many the map does not know."""

    photo: Text = None
    n: Number = None
    outside: Number = None
    centre_mm: Numbers = None
    rotation_deg: Number = None
    scale: Number = None
    rms_mm: Number = None
    p95_mm: Number = None
    max_mm: Number = None
    z_spread: Number = None


@dataclass(frozen=True, kw_only=True)
class ViewCheckRecord(Record):
    """What a check of a view found.

    Attributes
    ----------
    n, rms_mm, p95_mm, max_mm : of all corners.
    z_spread : errors over the map's stated sigma and the corners' own noise.
    tolerance_mm : of the 95th percentile, from rig.toml.
    failures, not_proven : what speaks against the view, in words.
    """

    FORMAT: ClassVar[str] = "rigwarp view verification"

    n: Number = None
    rms_mm: Number = None
    p95_mm: Number = None
    max_mm: Number = None
    z_spread: Number = None
    tolerance_mm: Number = None
    failures: Texts = ()
    not_proven: Texts = ()
    sheets: tuple[SheetCheckRecord, ...] = ()
    checked_utc: Text = None
