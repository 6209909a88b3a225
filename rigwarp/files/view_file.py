"""view.npz: which place on the table each raw pixel of the view's camera sees, and the lean of its line of sight."""

from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz
from rigwarp.geometry import ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.view.lean import SMOOTH_TERMS, LeanDoubt

FORMAT = "rigwarp view map"
_NUMBERS = ("x_mm", "y_mm", "sigma_mm", "lean_x", "lean_y")
_FIELDS = {
    **{name: Field(kind="f", dtype=np.float64, shape=("H", "W")) for name in _NUMBERS},
    "zone": Field(kind="i", dtype=np.int16, shape=("H", "W")),
    "measured": Field(kind="b", dtype=np.bool_, shape=("H", "W")),
}
_LEAN = "lean_error_"
_LEAN_FIELDS = {
    "first_zones": Field(kind="i", dtype=np.int64, shape=("P",)),
    "middle_px": Field(kind="f", dtype=np.float64, shape=("P", 2)),
    "half_px": Field(kind="f", dtype=np.float64, shape=("P", 2)),
    "terms": Field(kind="f", dtype=np.float64, shape=("P", SMOOTH_TERMS, 2, "M")),
}


def write_view_map(
    path: Path,
    view_map: ViewMap,
    lean_doubt: LeanDoubt | None = None,
    *,
    rig_hash: str,
    scans: tuple[str, ...] = (),
) -> None:
    """Write a view's map, and how well its lean is known; `scans` name what it was measured from (none: a design)."""
    header = {
        "rig_hash": rig_hash,
        "scans": list(scans),
        "units": {**dict.fromkeys(("x_mm", "y_mm", "sigma_mm"), "mm"), "lean_x": "mm/mm", "lean_y": "mm/mm"},
        "frame": "table: origin in its middle, x right, y away, z up",
        "index": "[v, u] of the camera's raw pixel centres as it delivers them, not flipped; (0, 0) is top left",
        "lean": "a thing at height h on a pixel's line of sight stands at (x_mm, y_mm) - h (lean_x, lean_y)",
        "flipped": False,
    }
    arrays = {name: getattr(view_map, name) for name in _FIELDS}
    if lean_doubt is not None:
        header["lean_error"] = "one sigma of each of m errors that all zones share: polynomials over a part's picture"
        arrays |= {_LEAN + name: getattr(lean_doubt, name) for name in _LEAN_FIELDS}
    write_npz(path, arrays, format=FORMAT, header=header)


def read_view_map(
    path: Path, *, resolution: tuple[int, int] | None = None, make_with: str = ""
) -> tuple[ViewMap, dict[str, Any]]:
    """A view's map and its header; `resolution` is (width, height) of the camera that it has to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, is for another camera, or says something that no map can say.
    """
    arrays, header = read_npz(path, _FIELDS, format=FORMAT, make_with=make_with)
    view_map = ViewMap(**arrays)
    seen = view_map.zone != NO_LIGHT
    whole = all(np.array_equal(np.isfinite(getattr(view_map, name)), seen) for name in _NUMBERS)
    if not whole or np.any(view_map.sigma_mm[seen] < 0.0) or np.any(view_map.zone < NO_LIGHT):
        raise InputError(f"{path}: found positions, sigmas and zones that contradict each other. Make the file again.")
    if resolution not in (None, view_map.resolution):
        found, expected = (" x ".join(map(str, size)) for size in (view_map.resolution, resolution or ()))
        raise InputError(f"{path}: found {found} pixels, expected the view's {expected}. Make the file again.")
    return view_map, header


def read_lean_doubt(path: Path) -> LeanDoubt:
    """How well the lean in a measured view's map is known.

    Raises
    ------
    InputError
        The file is missing, damaged or foreign, or does not say.
    """
    fields = {_LEAN + name: field for name, field in _LEAN_FIELDS.items()}
    arrays, _ = read_npz(path, fields, format=FORMAT, make_with="Fit the view again: rigwarp view fit")
    found = {name: arrays[_LEAN + name] for name in _LEAN_FIELDS}
    zones, terms = found["first_zones"], found["terms"]
    rising = len(zones) > 0 and bool(np.all(np.diff(zones) > 0))
    if not rising or not np.isfinite(terms).all() or not np.all(found["half_px"] > 0.0):
        raise InputError(f"{path}: found errors of the lean that are none. Fit the view again: rigwarp view fit")
    return LeanDoubt(**found, found=np.zeros(terms.shape[-1]))
