"""Which zone of the mirror each projector pixel belongs to, as far as it was known at a scan."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_result, read_map, read_start
from rigwarp.files.names import MAP_FILE, RESULTS
from rigwarp.files.records import MapOrigin
from rigwarp.geometry import BoolArray
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.jobs.design import design_map

ZONES_SOURCE = "zones_source"
"""Setting of a scan: which result's map its zones are from, or ..."""
DESIGN = "design"


def zones_source(folder: RigFolder) -> str:
    """Name of the result that knows the zones best, of this rig.toml; DESIGN where none does."""
    try:
        result = current_result(folder.root)
        _, header = read_map(result / MAP_FILE)
    except InputError:
        return DESIGN
    return result.name if MapOrigin.from_dict(header).rig_hash == folder.rig_hash else DESIGN


def zones_of(folder: RigFolder, source: str | None = None) -> NDArray[np.int16]:
    """(H, W) zone of each projector pixel: as measured last (or by the named result), or as designed.

    A pixel whose light is not known to reach the table goes with the nearest zone: where only the pixels before it are
    lit, their edge blurs into what is measured, on a raised board in the midst of it.

    Raises
    ------
    InputError
        If the named result is not there.
    """
    source = zones_source(folder) if source is None else source
    source_map = design_map(folder) if source == DESIGN else read_map(folder.root / RESULTS / source / MAP_FILE)[0]
    known = source_map.zone
    if (known == NO_LIGHT).all():
        return known
    row, column = distance_transform_edt(known == NO_LIGHT, return_distances=False, return_indices=True)
    return np.asarray(known[row, column], np.int16)


def shown_in(folder: RigFolder, run: Path) -> BoolArray | None:
    """(H, W) the part of the picture that a scan showed; None for all of it, or where that is not known any more."""
    settings = read_start(run).scan
    if not settings.group or not settings.zones_source:
        return None
    try:
        return np.asarray(zones_of(folder, settings.zones_source) == settings.zone)
    except InputError:
        return None
