"""A new result made from an earlier one: its map corrected, everything else that still holds taken along."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    new_run,
    read_bytes,
    read_map,
    read_map_light,
    read_map_sigmas,
    read_prewarp,
    write_bytes,
    write_map,
    write_prewarp,
)
from rigwarp.files.names import (
    AS_BUILT_ARRAYS_FILE,
    AS_BUILT_FILE,
    BUDGET_FILE,
    FIT_FILE,
    MAP_FILE,
    PREWARP_FILE,
    RESULTS,
    TABLE_SHAPE_FILE,
)
from rigwarp.files.records import FitRecord, MapOrigin
from rigwarp.geometry import Array, PixelMap
from rigwarp.jobs.results.budget import write_budget
from rigwarp.prewarp import Prewarp, build_prewarp

_TAKEN_ALONG = (AS_BUILT_ARRAYS_FILE, AS_BUILT_FILE, TABLE_SHAPE_FILE)
"""The mirror and the table are the same ones."""
_LEAST_GAIN = 0.02


def _light_before(earlier: Path, old: Prewarp) -> Array:
    """(H, W) light measured with an earlier map; without it, what its gain evened out, NaN where it is dark."""
    light = read_map_light(earlier / MAP_FILE)
    if light is not None:
        return light
    gain = old.gain.astype(float)
    return np.where(gain > _LEAST_GAIN, 1.0 / np.maximum(gain, _LEAST_GAIN), np.nan)


def write_derived(
    folder: RigFolder,
    earlier: Path,
    table_map: PixelMap | None,
    *,
    command: str,
    note: Mapping[str, Any],
    more_sigma_mm: Array | None = None,
    more_files: Mapping[str, Callable[[Path], None]] | None = None,
) -> Path:
    """A finished result folder from an earlier result; it does not become current.

    Parameters
    ----------
    table_map : the corrected map, whose warp is evened out as the earlier one; None: map and warp stay as they are.
    command : the command line that makes it.
    note : what was done, for start.json and fit.json.
    more_sigma_mm : (H, W) uncertainty of the correction, added to the map's random part.
    more_files : writers of further files, by name.
    """
    projector, prewarp = folder.rig.projector, read_prewarp(earlier / PREWARP_FILE)
    before, header = read_map(earlier / MAP_FILE, resolution=projector.resolution)
    if table_map is not None:
        light = _light_before(earlier, prewarp)
        prewarp = build_prewarp(table_map, folder.rig.content, projector.transfer, light=light)
    origin: dict[str, Any] = {"rig_hash": folder.rig_hash, "scan": MapOrigin.from_dict(header).scan}
    with new_run(folder.root / RESULTS, command, folder, settings={"from": earlier.name, **note}) as run:
        write_map(run / MAP_FILE, table_map or before, more=_parts(earlier, more_sigma_mm), **origin)
        for name, write in (more_files or {}).items():
            write(run / name)
        for name in _TAKEN_ALONG:
            if (earlier / name).is_file() and not (run / name).exists():
                write_bytes(run / name, read_bytes(earlier / name))
        write_prewarp(run / PREWARP_FILE, prewarp, extra=origin)
        if (earlier / FIT_FILE).is_file():
            figures = FitRecord.read(earlier / FIT_FILE)
            replace(figures, corrected={"from": earlier.name, **note}).write(run / FIT_FILE)
        if (earlier / BUDGET_FILE).is_file():
            write_budget(folder, run)
    return run


def _parts(earlier: Path, more_sigma_mm: Array | None) -> dict[str, Array]:
    """The arrays beside the map that still hold."""
    parts: dict[str, Array] = {}
    try:
        parts |= read_map_sigmas(earlier / MAP_FILE)
    except InputError:
        pass  # a map made before the parts were kept
    else:
        if more_sigma_mm is not None:
            parts["sigma_random_mm"] = np.hypot(parts["sigma_random_mm"], more_sigma_mm)
    light = read_map_light(earlier / MAP_FILE)
    return parts if light is None else {**parts, "light": light}
