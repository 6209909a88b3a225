"""Scanning a mirror of several zones: one zone at a time, so that no spot sees two patterns at once."""

import secrets

import numpy as np
from numpy.typing import NDArray

from rigwarp.commands.console import Console
from rigwarp.commands.design import design_map
from rigwarp.commands.scan_runs import DEFAULT_SET, ScanTaken, take_scan
from rigwarp.devices import Bench, MaskedDisplay
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_result, read_map
from rigwarp.geometry.pixel_map import NO_LIGHT

MAP_FILE = "map.npz"


def take_scans(
    console: Console, folder: RigFolder, bench: Bench, *, set_name: str = DEFAULT_SET, blur_px: float | None = None
) -> list[ScanTaken]:
    """Scan a rig on a bench: at once, or one zone of the mirror at a time where it has several.

    Where two zones light one spot their patterns would mix; lit one after the other, both are measured there.
    """
    zone_map = zones_of(folder)
    numbers = [int(n) for n in np.unique(zone_map[zone_map != NO_LIGHT])]
    if len(numbers) < 2:
        return [take_scan(console, folder, bench, set_name=set_name, blur_px=blur_px)]
    group = secrets.token_hex(4)
    taken = []
    for number in numbers:
        lit = Bench(display=MaskedDisplay(bench.display, zone_map == number), camera=bench.camera)
        part = {"zone": number, "zones": numbers, "group": group}
        taken.append(take_scan(console, folder, lit, set_name=set_name, blur_px=blur_px, part=part))
    return taken


def zones_of(folder: RigFolder) -> NDArray[np.int16]:
    """(H, W) zone of each projector pixel: as measured last, or as designed."""
    try:
        measured, header = read_map(current_result(folder.root) / MAP_FILE)
    except InputError:
        return design_map(folder).zone
    return measured.zone if header.get("rig_hash") == folder.rig_hash else design_map(folder).zone
