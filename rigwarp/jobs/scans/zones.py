"""Which zone of the mirror each projector pixel belongs to, as far as it was known at a scan."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_result, read_map, read_photo, read_start
from rigwarp.files.names import MAP_FILE, ZONES_FILE
from rigwarp.files.records import MapOrigin
from rigwarp.geometry import BoolArray
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.jobs.design import design_map


def zones_of(folder: RigFolder) -> NDArray[np.int16]:
    """(H, W) zone of each projector pixel: as measured last, or as designed.

    A pixel whose light is not known to reach the table goes with the nearest zone: where only the pixels before it are
    lit, their edge blurs into what is measured, on a raised board in the midst of it.
    """
    try:
        measured, header = read_map(current_result(folder.root) / MAP_FILE, resolution=folder.rig.projector.resolution)
        known = measured.zone if MapOrigin.from_dict(header).rig_hash == folder.rig_hash else design_map(folder).zone
    except InputError:
        known = design_map(folder).zone
    if (known == NO_LIGHT).all():
        return known
    row, column = distance_transform_edt(known == NO_LIGHT, return_distances=False, return_indices=True)
    return np.asarray(known[row, column], np.int16)


def zones_then(folder: RigFolder, run: Path) -> NDArray[np.int16]:
    """(H, W) by which the zones were told apart for a scan: a fit since then may know better where they part."""
    kept = run / ZONES_FILE
    return read_photo(kept).astype(np.int16) if kept.is_file() else zones_of(folder)


def shown_in(run: Path) -> BoolArray | None:
    """(H, W) the part of the picture that a scan showed; None for all of it, or where that is not known any more."""
    settings, kept = read_start(run).scan, run / ZONES_FILE
    if not settings.group or not kept.is_file():
        return None
    return np.asarray(read_photo(kept) == settings.zone)
