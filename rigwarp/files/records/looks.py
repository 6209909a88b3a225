"""moved.json and drift.json: what a look at a rig found to have moved."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.fit import MapFigures
from rigwarp.files.records.record import Block, Flag, Number, Record, Text, Texts


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
