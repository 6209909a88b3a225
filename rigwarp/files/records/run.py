"""start.json and stop.json: what a run was made with, and that it ended well."""

from dataclasses import dataclass
from typing import ClassVar

from rigwarp.files.records.record import Block, Number, Numbers, Part, Record, Text


@dataclass(frozen=True, kw_only=True)
class ScanSettings(Part):
    """What a scan was taken with.

    Attributes
    ----------
    set, blur_px, exposures, average : the pattern set and how it is photographed; see `jobs.scans.scan_runs`.
    group, zone, zones : of a scan of one zone: what the scans that belong together note, its zone, and all of theirs.
    raised_mm, raised_board : only on a raised board: its height by a ruler, and what the sheet on it said.
    """

    set: Text = None
    blur_px: Number = None
    exposures: Number = None
    average: Number = None
    group: Text = None
    zone: Number = None
    zones: Numbers = None
    raised_mm: Number = None
    raised_board: Block = None


@dataclass(frozen=True, kw_only=True)
class StartRecord(Record):
    """start.json.

    Attributes
    ----------
    command : the command line.
    settings : everything else that the result depends on.
    number : counts the runs of a folder; what has a higher one was begun later, whatever the clock said.
    started_utc : ISO 8601.
    rig_hash, rig_toml : of the rig folder at that time.
    versions : of rigwarp and the libraries that figures may depend on.
    """

    FORMAT: ClassVar[str] = "rigwarp run start"

    command: Text = None
    settings: Block = None
    number: Number = None
    started_utc: Text = None
    rig_hash: Text = None
    rig_toml: Text = None
    versions: Block = None

    @property
    def scans(self) -> tuple[str, ...] | None:
        """Names of the scans that a result was made from; None where the settings list none."""
        listed = (self.settings or {}).get("scans")
        return tuple(name for name in listed if isinstance(name, str)) if isinstance(listed, list) else None

    @property
    def latest_scan(self) -> str | None:
        """Name of the latest scan that there was when a result was made, used or not; None where nobody noted it."""
        named = (self.settings or {}).get("latest_scan")
        return named if isinstance(named, str) else None

    @property
    def scan(self) -> ScanSettings:
        """The settings of a scan."""
        return ScanSettings.from_dict(self.settings or {})

    @property
    def program(self) -> str | None:
        """Version of rigwarp."""
        version = (self.versions or {}).get("rigwarp")
        return version if isinstance(version, str) else None


@dataclass(frozen=True, kw_only=True)
class StopRecord(Record):
    """stop.json: only a run that has one, with exit status 0, is finished."""

    FORMAT: ClassVar[str] = "rigwarp run stop"

    exit_status: Number = None
    started_utc: Text = None
    stopped_utc: Text = None
    seconds: Number = None
