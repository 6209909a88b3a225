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
    kept = _kept(folder, run)
    return zones_of(folder) if kept is None else kept


def shown_in(folder: RigFolder, run: Path) -> BoolArray | None:
    """(H, W) the part of the picture that a scan showed; None for all of it, or where that is not known any more."""
    settings = read_start(run).scan
    kept = _kept(folder, run) if settings.group else None
    return None if kept is None else np.asarray(kept == settings.zone)


def _kept(folder: RigFolder, run: Path) -> NDArray[np.int16] | None:
    """(H, W) the zones that lie in a scan's folder."""
    path = run / ZONES_FILE
    if not path.is_file():
        return None
    zones, (width, height) = read_photo(path), folder.rig.projector.resolution
    if zones.shape != (height, width):
        raise InputError(
            f"{path}: found {zones.shape[1]} x {zones.shape[0]} pixels, expected the projector's {width} x {height}. "
            "The file was changed after the scan: scan again."
        )
    return zones.astype(np.int16)
