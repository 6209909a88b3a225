"""view.npz: which place on the table each raw pixel of the view's camera sees, and the lean of its line of sight."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz, require_pixels
from rigwarp.geometry import ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT

FORMAT = "rigwarp view map"
_NUMBERS = ("x_mm", "y_mm", "sigma_mm", "lean_x", "lean_y")
_FIELDS = {
    **{name: Field(kind="f", dtype=np.float64, shape=("H", "W")) for name in _NUMBERS},
    "zone": Field(kind="i", dtype=np.int16, shape=("H", "W")),
    "measured": Field(kind="b", dtype=np.bool_, shape=("H", "W")),
}


def write_view_map(
    path: Path, view_map: ViewMap, *, rig_hash: str, scans: tuple[str, ...] = (), extra: Mapping[str, Any] | None = None
) -> None:
    """Write a view's map; `scans` name what it was measured from (none: a design), `extra` is added to the header."""
    header = {
        "rig_hash": rig_hash,
        "scans": list(scans),
        "units": {**dict.fromkeys(("x_mm", "y_mm", "sigma_mm"), "mm"), "lean_x": "mm/mm", "lean_y": "mm/mm"},
        "frame": "table: origin in its middle, x right, y away, z up",
        "index": "[v, u] of the camera's raw pixel centres as it delivers them, not flipped; (0, 0) is top left",
        "lean": "a thing at height h on a pixel's line of sight stands at (x_mm, y_mm) - h (lean_x, lean_y)",
        **(extra or {}),
    }
    write_npz(path, {name: getattr(view_map, name) for name in _FIELDS}, format=FORMAT, header=header)


def read_view_map(path: Path, *, resolution: tuple[int, int] | None = None) -> tuple[ViewMap, dict[str, Any]]:
    """A view's map and its header; `resolution` is (width, height) of the camera that it has to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, is for another camera, or says something that no map can say.
    """
    arrays, header = read_npz(path, _FIELDS, format=FORMAT)
    view_map = ViewMap(**arrays)
    seen = view_map.zone != NO_LIGHT
    whole = all(np.array_equal(np.isfinite(getattr(view_map, name)), seen) for name in _NUMBERS)
    if not whole or np.any(view_map.sigma_mm[seen] < 0.0) or np.any(view_map.zone < NO_LIGHT):
        raise InputError(f"{path}: found positions, sigmas and zones that contradict each other. Make the file again.")
    require_pixels(path, view_map.resolution, resolution, of="view")
    return view_map, header
