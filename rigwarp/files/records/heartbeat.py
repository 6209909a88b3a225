"""The player's heartbeat, rewritten every few seconds while frames are shown."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Number, Record, Text


@dataclass(frozen=True, kw_only=True)
class HeartbeatRecord(Record):
    """The last sign of life; counters that are not named here are in `more`.

    Attributes
    ----------
    unix_s : when, in seconds since 1970.
    memory_mib : in use.
    shown, late : frames, and how many of them came late.
    flips_per_second : the usual rate.
    source : what plays.
    watch, watch_warned : what the drift watch said last, and what it last corrected or could not do; with the time.
    """

    FORMAT: ClassVar[str] = "rigwarp heartbeat"

    unix_s: Number = None
    memory_mib: Number = None
    shown: Number = None
    late: Number = None
    flips_per_second: Number = None
    source: Text = None
    watch: Text = None
    watch_warned: Text = None
