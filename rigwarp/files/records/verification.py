"""verification.json, moved.json and drift.json: what a check of the picture, and a look at a rig, found."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.fit import MapFigures, VerdictRecord
from rigwarp.files.records.record import Block, Distances, Flag, Ids, Number, Numbers, Pairs, Part, Record, Text, Texts


@dataclass(frozen=True, kw_only=True)
class SimilarityRecord(Part):
    """The zoom, turn and shift that would fit best: measured = scale R wanted + shift; and what they would leave."""

    scale: Number = None
    rotation_deg: Number = None
    shift_mm: Numbers = None
    rms_after_mm: Number = None
    p95_after_mm: Number = None
    max_after_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class AffineRecord(Part):
    """The affine map that would fit best: per cent off the right size and of the larger over the smaller stretch.

    `stretch_deg` is the direction of the larger.
    """

    scale_percent: Number = None
    anisotropy_percent: Number = None
    stretch_deg: Number = None
    shear_mrad: Number = None
    rotation_mrad: Number = None
    shift_mm: Numbers = None


@dataclass(frozen=True, kw_only=True)
class StraightnessRecord(Part):
    """The least straight line, in mm and of its length; `more` has these, and how many there are, per family.

    Families are "rows", "columns", "diagonals up" and "diagonals down".
    """

    worst_mm: Number = None
    worst_percent: Number = None


@dataclass(frozen=True, kw_only=True)
class PatchRecord(Part):
    """Modulation of sinusoidal lines at a place, not corrected for the camera; NaN where it could not be judged.

    `place` is "centre" or "rim", `lines_per_mm` counts pairs, `direction` is "across" or "along".
    """

    place: Text = None
    at_mm: Numbers = None
    lines_per_mm: Number = None
    direction: Text = None
    modulation: Number = None
    camera_px_per_mm: Number = None
    camera_limit: Number = None


@dataclass(frozen=True, kw_only=True)
class NineRecord(Part):
    """Light at nine points, brightest = 1: least over largest, corners over middle."""

    points_mm: Pairs = None
    light: Numbers = None
    uniformity: Number = None
    corner_to_centre: Number = None


@dataclass(frozen=True, kw_only=True)
class UniformityRecord(Part):
    """Light before and after the gain."""

    before_gain: NineRecord | None = None
    after_gain: NineRecord | None = None


@dataclass(frozen=True, kw_only=True)
class DotsRecord(Distances):
    """The dots through one warp: distances from their places, nothing fitted.

    Attributes
    ----------
    missing, doubled : ids of dots not seen, seen twice.
    unreadable : lights that belong to no dot.
    points_mm, vectors_mm : per dot seen: where it should be, and seen minus that; table frame.
    sigma_mm : per dot, 1-sigma per axis from the photographs' noise alone.
    resolution, uniformity : sharpness and evenness, where pictures of these were taken.
    """

    missing: Ids = None
    doubled: Ids = None
    unreadable: Number = None
    points_mm: Pairs = None
    vectors_mm: Pairs = None
    sigma_mm: Numbers = None
    similarity: SimilarityRecord | None = None
    affine: AffineRecord | None = None
    straightness: StraightnessRecord | None = None
    resolution: tuple[PatchRecord, ...] | None = None
    uniformity: UniformityRecord | None = None


@dataclass(frozen=True, kw_only=True)
class VerificationRecord(Record):
    """verification.json.

    Attributes
    ----------
    before, after : the dots through the design's warp and through the result's own; None where not measured.
    content : revision and values of the correction by hand that was in force, and how many dots it left out; the dots
        are wanted where the corrected content puts them.
    verdict : what the dots say against the result.
    camera_response : shape of the camera's response that light was judged by; NaN: taken for sRGB.
    """

    FORMAT: ClassVar[str] = "rigwarp verification"

    before: DotsRecord | None = None
    after: DotsRecord | None = None
    content: Block = None
    camera_response: Number = None
    verdict: VerdictRecord | None = None


@dataclass(frozen=True, kw_only=True)
class MovedRecord(Record):
    """moved.json beside a raised scan: whether the bare table's light has moved since the scans named in `since`."""

    FORMAT: ClassVar[str] = "rigwarp moved"

    since: Texts = ()
    moved: Flag = None
    shift_mm: Number = None


@dataclass(frozen=True, kw_only=True)
class DriftRecord(Record):
    """drift.json: the latest quick look.

    Attributes
    ----------
    findings, advice, why : what has changed, what to do about it, and for what reason.
    seconds : that the look took.
    picture : distances of the dots from where content wants them.
    camera : its motion; `known`: whether the pictures tell it.
    light : what moved, motions of the parts with their sigmas; rms of the shift and of what the motion leaves.
    light_level, room_light : shares of what they were at the last verification.
    reregistration : what a correction that followed has brought.
    """

    FORMAT: ClassVar[str] = "rigwarp drift"

    findings: Texts = ()
    advice: Text = None
    why: Text = None
    seconds: Number = None
    picture: MapFigures | None = None
    camera: Block = None
    light: Block = None
    light_level: Number = None
    room_light: Number = None
    reregistration: Block = None
