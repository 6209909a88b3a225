"""map.npz and design.npz: where each projector pixel lands; view.npz: which place each pixel of a view sees."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, read_npz, refuse, require_pixels
from rigwarp.geometry import Array, PixelMap, ViewMap
from rigwarp.geometry.pixel_map import NO_LIGHT, zones_lit

if TYPE_CHECKING:
    from rigwarp.view import LeanDoubt

FORMAT = "rigwarp map"
VIEW_FORMAT = "rigwarp view map"
_NUMBER = Field(kind="f", dtype=np.float64, shape=("H", "W"))
_FIELDS = {
    **dict.fromkeys(("x_mm", "y_mm", "sigma_mm"), _NUMBER),
    "zone": Field(kind="i", dtype=np.int16, shape=("H", "W")),
    "measured": Field(kind="b", dtype=np.bool_, shape=("H", "W")),
}
_LEAN = ("lean_x", "lean_y")
_VIEW_FIELDS = {**_FIELDS, **dict.fromkeys(_LEAN, _NUMBER)}
_LEAN_ERROR = "lean_error_"
_LEAN_ERROR_FIELDS = {
    "first_zones": Field(kind="i", dtype=np.int64, shape=("P",)),
    "middle_px": Field(kind="f", dtype=np.float64, shape=("P", 2)),
    "half_px": Field(kind="f", dtype=np.float64, shape=("P", 2)),
    "terms": Field(kind="f", dtype=np.float64, shape=("P", "T", 2, "M")),
}
_SIGMAS = dict.fromkeys(("sigma_decode_mm", "sigma_random_mm", "sigma_common_mm"), _NUMBER)
# maps made before these were told apart have none of them
_MORE = ("ripple", "border", "light", "bands", "curve")
_MORE_SIGMAS = {f"sigma_{name}_mm": _NUMBER for name in _MORE}


def write_map(
    path: Path,
    pixel_map: PixelMap,
    *,
    rig_hash: str,
    scan: str | None = None,
    extra: Mapping[str, Any] | None = None,
    more: Mapping[str, Array] | None = None,
    replace: bool = False,
) -> None:
    """Write a map; `scan` names the scan it was measured from (None: a design), `extra` is added to the header.

    `more` are further (H, W) arrays, such as the random and the common part of sigma_mm; readers may ignore them.
    """
    header = {
        "rig_hash": rig_hash,
        "scan": scan,
        "units": {"x_mm": "mm", "y_mm": "mm", "sigma_mm": "mm"},
        "frame": "table: origin in its middle, x right, y away, z up",
        "index": "[v, u] of projector pixel centres; (0, 0) is the centre of the top-left pixel",
        **(extra or {}),
    }
    arrays = {**(more or {}), **{name: getattr(pixel_map, name) for name in _FIELDS}}
    write_npz(path, arrays, format=FORMAT, header=header, replace=replace)


def read_map(path: Path, *, resolution: tuple[int, int] | None = None) -> tuple[PixelMap, dict[str, Any]]:
    """A map and its header; `resolution` is (width, height) of the projector that it has to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, is for another projector, or says something that no map can say.
    """
    arrays, header = read_npz(path, _FIELDS, format=FORMAT)
    pixel_map = PixelMap(**arrays)
    _check(path, pixel_map)
    require_pixels(path, pixel_map.x_mm.shape[::-1], resolution, of="projector")
    return pixel_map, header


def read_map_sigmas(path: Path) -> dict[str, Array]:
    """The parts of a measured map's uncertainty: sigma_decode_mm, sigma_random_mm, sigma_common_mm; (H, W) each.

    And, where the map tells them, parts of the random one: sigma_ripple_mm, _border_mm, _light_mm, _bands_mm and
    _curve_mm.

    Raises
    ------
    InputError
        Like `read_map`; also for a design, or a map made before these were kept.
    """
    return read_npz(path, _SIGMAS, format=FORMAT, optional=_MORE_SIGMAS)[0]


def read_map_light(path: Path) -> Array | None:
    """(H, W) relative light that each projector pixel makes on the table; None for a map that does not tell.

    Raises
    ------
    InputError
        Like `read_map`, but not for a missing array.
    """
    read_npz(path, {}, format=FORMAT)  # damage is told, an older map without light is none
    try:
        return read_npz(path, {"light": _NUMBER}, format=FORMAT)[0]["light"]
    except InputError:
        return None


def _check(path: Path, pixel_map: PixelMap) -> None:
    answered = np.isfinite(pixel_map.x_mm)
    wrong = {
        "no pixels": pixel_map.x_mm.size == 0,
        "an infinite value": any(np.isinf(a).any() for a in (pixel_map.x_mm, pixel_map.y_mm, pixel_map.sigma_mm)),
        "a pixel with only one coordinate": not np.array_equal(answered, np.isfinite(pixel_map.y_mm)),
        "a position without sigma_mm": not np.isfinite(pixel_map.sigma_mm[answered]).all(),
        "a negative sigma_mm": bool((pixel_map.sigma_mm[answered] < 0.0).any()),
        f"a zone below {NO_LIGHT}": bool((pixel_map.zone < NO_LIGHT).any()),
        "a measured pixel without a position": bool((pixel_map.measured & ~answered).any()),
    }
    refuse(path, wrong, expected="a map of the table. Make the file again.")


def write_view_map(
    path: Path,
    view_map: ViewMap,
    lean_doubt: "LeanDoubt | None" = None,
    *,
    rig_hash: str,
    scans: tuple[str, ...] = (),
) -> None:
    """Write a view's map, and how well its lean is known; `scans` name what it was measured from (none: a design)."""
    header = {
        "rig_hash": rig_hash,
        "scans": list(scans),
        "units": {**dict.fromkeys(("x_mm", "y_mm", "sigma_mm"), "mm"), **dict.fromkeys(_LEAN, "mm/mm")},
        "frame": "table: origin in its middle, x right, y away, z up",
        "index": "[v, u] of the camera's raw pixel centres as it delivers them, not flipped; (0, 0) is top left",
        "lean": "a thing at height h on a pixel's line of sight stands at (x_mm, y_mm) - h (lean_x, lean_y)",
        "flipped": False,
    }
    arrays = {name: getattr(view_map, name) for name in _VIEW_FIELDS}
    if lean_doubt is not None:
        header["lean_error"] = "one sigma of each of m errors that all zones share: polynomials over a part's picture"
        arrays |= {_LEAN_ERROR + name: getattr(lean_doubt, name) for name in _LEAN_ERROR_FIELDS}
    write_npz(path, arrays, format=VIEW_FORMAT, header=header)


def read_view_map(path: Path, *, resolution: tuple[int, int] | None = None) -> tuple[ViewMap, dict[str, Any]]:
    """A view's map and its header; `resolution` is (width, height) of the camera that it has to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, is for another camera, or says something that no map can say.
    """
    arrays, header = read_npz(path, _VIEW_FIELDS, format=VIEW_FORMAT)
    return _view_map(path, arrays, resolution), header


def read_measured_view(path: Path, *, resolution: tuple[int, int] | None = None) -> "tuple[ViewMap, LeanDoubt]":
    """A measured view's map and how well its lean is known; an older map says one sigma for all its zones.

    Raises
    ------
    InputError
        Like `read_view_map`; also for a design, which does not say how well its lean is known.
    """
    from rigwarp.view.lean import SMOOTH_TERMS, LeanDoubt, even_doubt  # bring SciPy, which a player has no room for

    fields = {_LEAN_ERROR + name: field for name, field in _LEAN_ERROR_FIELDS.items()}
    arrays, header = read_npz(path, _VIEW_FIELDS, format=VIEW_FORMAT, optional=fields)
    view_map = _view_map(path, {name: arrays[name] for name in _VIEW_FIELDS}, resolution)
    if isinstance(sigma := header.get("lean_sigma"), int | float):
        return view_map, even_doubt(np.array(zones_lit(view_map.zone), np.int64), float(sigma))
    again = "Fit the view again: rigwarp view fit"
    if missing := [name for name in fields if name not in arrays]:
        raise InputError(f"{path}: found no array {missing[0]}, expected one. {again}")
    found = {name: arrays[_LEAN_ERROR + name] for name in _LEAN_ERROR_FIELDS}
    zones, terms = found["first_zones"], found["terms"]
    whole = len(zones) > 0 and bool(np.all(np.diff(zones) > 0)) and terms.shape[1] == SMOOTH_TERMS
    if not whole or not np.isfinite(terms).all() or not np.all(found["half_px"] > 0.0):
        raise InputError(f"{path}: found errors of the lean that are none. {again}")
    return view_map, LeanDoubt(**found, found=np.zeros(terms.shape[-1]))


def _view_map(path: Path, arrays: Mapping[str, Any], resolution: tuple[int, int] | None) -> ViewMap:
    view_map = ViewMap(**arrays)
    seen = view_map.zone != NO_LIGHT
    whole = all(np.array_equal(np.isfinite(arrays[name]), seen) for name in ("x_mm", "y_mm", "sigma_mm", *_LEAN))
    if not whole or np.any(view_map.sigma_mm[seen] < 0.0) or np.any(view_map.zone < NO_LIGHT):
        raise InputError(f"{path}: found positions, sigmas and zones that contradict each other. Make the file again.")
    require_pixels(path, view_map.resolution, resolution, of="view")
    return view_map
