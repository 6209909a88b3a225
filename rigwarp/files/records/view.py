"""view.json: how well a view's map fits what it was measured from, and how its mirrors stray from their design."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Block, Distances, Flag, Number, Numbers, Part, Record, Text, Texts


@dataclass(frozen=True, kw_only=True)
class ViewMapFigures(Distances):
    """Residuals of samples held out of the fit, mm; and the share of what the camera sees that they support.

    `coverage` is that of the table where it was lit, `lit_share` how much of what the camera sees was lit at all.
    `z_spread` is the distance over the stated sigma; `not_proven` says where sigma does not cover it.
    """

    coverage: Number = None
    lit_share: Number = None
    z_spread: Number = None
    not_proven: Text = None


@dataclass(frozen=True, kw_only=True)
class ViewZoneRecord(Part):
    """One smooth piece of the view.

    `mirror` is the number of its [[view.mirror]], None where the table is seen directly. `reversed_` says whether it
    sees the table as in a mirror: then its part of the picture must be flipped before anything reads or poses in it.
    """

    zone: Number = None
    mirror: Number = None
    reversed_: Flag = None
    pixels: Number = None
    mm_per_px: Number = None
    lean: Number = None
    moved_mm: Number = None
    moved_deg: Number = None
    design_rms_mm: Number = None
    registered_rms_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class ViewMirrorRecord(Part):
    """One [[view.mirror]] against its design; `not_told` says why the scan does not tell its shape."""

    mirror: Number = None
    figure_rms_um: Number = None
    figure_pv_um: Number = None
    figure_sigma_um: Number = None
    findings: Texts = ()
    not_told: Text = None
    figures: Block = None


@dataclass(frozen=True, kw_only=True)
class ViewRecord(Record):
    """view.json.

    Attributes
    ----------
    by : "projector", "screen" or "sheets": what was seen.
    screen : the display, as a printed sheet told it; None where none did.
    scans : the scans that were used.
    zones, as_built : one per smooth piece, and one per mirror.
    overlap, unseen : shares of the table that two pieces see, and that none does.
    cautions : what the user should know, in words.
    seconds : time taken, by stage.
    """

    FORMAT: ClassVar[str] = "rigwarp view"

    by: Text = None
    scans: Texts = ()
    screen: Block = None
    view_map: ViewMapFigures | None = None
    zones: tuple[ViewZoneRecord, ...] = ()
    as_built: tuple[ViewMirrorRecord, ...] = ()
    overlap: Number = None
    unseen: Number = None
    cautions: Texts = ()
    seconds: Block = None


@dataclass(frozen=True, kw_only=True)
class ScreenRecord(Record):
    """screen.json: the display that shows patterns on the table, see `rigwarp.view.Screen`."""

    FORMAT: ClassVar[str] = "rigwarp screen"

    pixels: Numbers = None
    pitch_mm: Number = None
    pitch_sigma: Number = None
    thickness_mm: Number = None
    thickness_sigma_mm: Number = None
    glass_mm: Number = None
    glass_sigma_mm: Number = None
    centre_mm: Numbers = None
    rotation_deg: Number = None


@dataclass(frozen=True, kw_only=True)
class ViewScanSettings(Part):
    """What start.json says of a scan of the view.

    `by` what it was scanned, `group` and `zones` of a scan in several runs, `result` of the projector that showed the
    patterns, `screen` that did.
    """

    by: Text = None
    group: Text = None
    zones: Numbers = None
    result: Text = None
    screen: Block = None


@dataclass(frozen=True, kw_only=True)
class SheetCheckRecord(Distances):
    """One photograph's sheet: where it lay, its corners, their errors, and how many the map does not know."""

    photo: Text = None
    outside: Number = None
    centre_mm: Numbers = None
    rotation_deg: Number = None
    scale: Number = None
    z_spread: Number = None


@dataclass(frozen=True, kw_only=True)
class ViewCheckRecord(Distances, Record):
    """verification.json of a view: printed sheets laid elsewhere, measured through its map; distances of all corners.

    Attributes
    ----------
    z_spread : errors over the map's stated sigma and the corners' own noise.
    tolerance_mm : of the 95th percentile, from rig.toml.
    failures, not_proven : what speaks against the view, in words.
    """

    FORMAT: ClassVar[str] = "rigwarp view verification"

    z_spread: Number = None
    tolerance_mm: Number = None
    failures: Texts = ()
    not_proven: Texts = ()
    sheets: tuple[SheetCheckRecord, ...] = ()
    checked_utc: Text = None
