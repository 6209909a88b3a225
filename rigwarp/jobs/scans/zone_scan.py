"""Scanning a mirror of several zones: one zone at a time, so that no spot sees two patterns at once."""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.capture import can_resume, export_patterns
from rigwarp.devices import Bench, MaskedDisplay
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    complete_runs,
    interrupted_run,
    read_decoded,
    read_patterns,
    read_start,
    rig_locked,
    write_picture,
)
from rigwarp.files.names import DECODED_FILE, FRAMES, PATTERNS_FILE, SCANS, ZONES_FILE
from rigwarp.geometry import BoolArray
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.scans.scan_runs import (
    COMMAND,
    RAISED,
    RAISED_BOARD,
    ScanOptions,
    ScanTaken,
    continue_scan,
    import_scan,
    options_of,
    take_scan,
)
from rigwarp.jobs.scans.zones import zones_of, zones_then
from rigwarp.patterns import PatternSet

_ZONE = "zone-"  # folders of a scan away from the machine


@dataclass(frozen=True, kw_only=True)
class _Zones:
    """The scans that belong together: one for each zone of a mirror that has several.

    Attributes
    ----------
    group : what they note; empty for a scan of everything at once.
    numbers : the zones, in the order they are scanned; one entry for everything at once.
    map : (H, W) zone of each projector pixel.
    note : what all of them note besides.
    """

    group: str
    numbers: list[int]
    map: NDArray[np.int16]
    note: Mapping[str, Any] = field(default_factory=dict)

    def part(self, number: int) -> dict[str, Any]:
        """What the scan of a zone notes."""
        zone = {"zone": number, "zones": self.numbers, "group": self.group} if self.group else {}
        return {**self.note, **zone}

    def lit(self, bench: Bench, number: int) -> Bench:
        """The bench with only a zone lit."""
        return replace(bench, display=MaskedDisplay(bench.display, self.map == number)) if self.group else bench


def take_scans(
    progress: Progress,
    folder: RigFolder,
    bench: Bench,
    options: ScanOptions | None = None,
    *,
    resume: bool = False,
    note: Mapping[str, Any] | None = None,
) -> list[ScanTaken]:
    """Scan a rig on a bench: at once, or one zone of the mirror at a time where it has several.

    Where two zones light one spot their patterns would mix; lit one after the other, both are measured there.

    Parameters
    ----------
    resume : go on with the scan that was interrupted last; its settings count.
    note : added to the settings of each.

    Raises
    ------
    InputError
        If there is none.
    """
    with rig_locked(folder.root, COMMAND):
        if resume:
            return _resumed(progress, folder, bench)
        zone_map, options = zones_of(folder), options or ScanOptions()
        numbers = zones_lit(zone_map)
        group = secrets.token_hex(4) if len(numbers) > 1 else ""
        zones = _Zones(group=group, numbers=numbers if group else [0], map=zone_map, note=note or {})
        return [_taken(progress, folder, bench, options, zones, number) for number in zones.numbers]


def export_scans(progress: Progress, folder: RigFolder, target: Path, patterns: PatternSet) -> dict[Path, int]:
    """Write the patterns for a scan away from the machine: folders, and how many pictures each holds.

    A mirror of several zones gets a folder per zone, in which only that zone is lit, but for one picture of all.

    Raises
    ------
    InputError
        If there are exported patterns already.
    """
    zone_map = zones_of(folder)
    numbers = zones_lit(zone_map)
    parts: dict[Path, BoolArray | None] = {target: None}
    if len(numbers) > 1:
        if (target / PATTERNS_FILE).exists():
            raise InputError(f"{target}: already holds exported patterns. Choose a new folder.")
        parts, patterns = {target / f"{_ZONE}{n}": zone_map == n for n in numbers}, patterns.with_plaid()
    written = {}
    with progress.stage(len(patterns.frames) * len(parts), "Writing patterns") as advance:
        for part, lit in parts.items():
            written[part] = len(export_patterns(part, patterns, advance=advance, lit=lit))
            if lit is not None:
                write_picture(part / ZONES_FILE, zone_map.astype(np.uint8))
    return written


def import_scans(
    progress: Progress,
    folder: RigFolder,
    source: Path,
    *,
    note: Mapping[str, Any] | None = None,
    mend: bool = False,
) -> list[ScanTaken]:
    """Make scan folders of photographs taken elsewhere, one for each zone; errors as `import_scan`."""
    parts = {int(p.name.removeprefix(_ZONE)): p for p in sorted(source.glob(f"{_ZONE}[0-9]*")) if p.is_dir()}
    if not parts:
        return [import_scan(progress, folder, source, note=note, mend=mend)]
    zones = _Zones(group=secrets.token_hex(4), numbers=sorted(parts), map=zones_of(folder), note=note or {})
    for part in parts.values():  # before the first of many photographs is read
        count, first = len(read_patterns(part / PATTERNS_FILE).frames), parts[zones.numbers[0]].name
        if not (part / FRAMES).is_dir():
            raise InputError(
                f"{part / FRAMES}: found no such folder, expected the {count} photographs of this zone's patterns. "
                f"Share a sequence of all zones out: the first {count} belong to {first}, and so on."
            )
    return [import_scan(progress, folder, parts[n], note=zones.part(n), mend=mend) for n in zones.numbers]


def _taken(
    progress: Progress, folder: RigFolder, bench: Bench, options: ScanOptions, zones: _Zones, number: int
) -> ScanTaken:
    kept = zones.map if zones.group else None
    return take_scan(progress, folder, zones.lit(bench, number), options, part=zones.part(number), zone_map=kept)


def _resumed(progress: Progress, folder: RigFolder, bench: Bench) -> list[ScanTaken]:
    """The interrupted scan and those of the zones that were still to come; finished ones of its group are read."""
    run = _interrupted(folder)
    settings = read_start(run).scan
    group = settings.group or ""
    raised = {RAISED: settings.raised_mm, RAISED_BOARD: settings.raised_board}
    note = {key: value for key, value in raised.items() if value is not None}
    numbers = [int(zone) for zone in settings.zones or ()] if group else [0]
    zones = _Zones(group=group, numbers=numbers, map=zones_then(folder, run), note=note)
    done = {
        int(noted.zone): ScanTaken(run=one, decoded=read_decoded(one / DECODED_FILE), scan_s=0, decode_s=0)
        for one in complete_runs(folder.root / SCANS)
        if group and (noted := read_start(one).scan).group == group and noted.zone is not None
    }
    stopped_at = settings.zone or 0
    taken = []
    for number in zones.numbers:
        if number in done:
            taken.append(done[number])
        elif number == stopped_at and can_resume(run):
            taken.append(continue_scan(progress, folder, zones.lit(bench, number), run))
        else:
            taken.append(_taken(progress, folder, bench, options_of(settings), zones, number))
    return taken


def _interrupted(folder: RigFolder) -> Path:
    run = interrupted_run(folder.root / SCANS)
    start = read_start(run) if run is not None else None
    if run is None or start is None or start.command != COMMAND:
        raise InputError(f"{folder.root}: found no scan that was interrupted after the last finished one. Begin a new "
                         f"one: rigwarp scan {folder.root}")  # fmt: skip
    if start.rig_hash != folder.rig_hash:
        raise InputError(f"{run}: was begun with another rig.toml. Begin a new scan: rigwarp scan {folder.root}")
    return run


def lit_again(folder: RigFolder, bench: Bench, run: Path) -> Bench:
    """The bench as it was for a scan: with one zone lit only, or everything."""
    settings = read_start(run).scan
    number, group = int(settings.zone or 0), settings.group or ""
    return _Zones(group=group, numbers=[number], map=zones_then(folder, run)).lit(bench, number)
