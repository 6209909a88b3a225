"""The player's heartbeat, rewritten every few seconds while frames are shown."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Flag, Number, Part, Record, Text


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


@dataclass(frozen=True, kw_only=True)
class PlayState(Part):
    """What a player says of itself: its page's address, whether it is dark, runs, and what plays."""

    page: Text = None
    dark: Flag = None
    running: Flag = None
    source: Text = None


@dataclass(frozen=True, kw_only=True)
class TableAnswer(Part):
    """What a page answers for its table: name, what the asker's key may do, whether the player was heard lately."""

    name: Text = None
    role: Text = None
    fresh: Flag = None
    state: PlayState | None = None
