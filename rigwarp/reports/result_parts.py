"""What a result folder holds, read as far as it is there: a part that is missing or damaged is noted, not fatal."""

import hashlib
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    read_bytes,
    read_camera,
    read_camera_extra,
    read_json,
    read_map,
    read_photo,
    read_text,
)
from rigwarp.files.names import (
    AS_BUILT_ARRAYS_FILE,
    AS_BUILT_FILE,
    BUDGET_FILE,
    CAMERA_FILE,
    DESIGN_FILE,
    FIT_FILE,
    MAP_FILE,
    RIG_FILE,
    START_FILE,
    STOP_FILE,
    VERIFICATION_FILE,
)
from rigwarp.geometry import Array, Photo, PixelMap
from rigwarp.rig import Rig, parse_rig

_T = TypeVar("_T")
_GRIDS = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")


@dataclass(frozen=True, kw_only=True)
class ResultParts:
    """A result, part by part; None = not there, and `missing` says why.

    Attributes
    ----------
    name : the result folder's name.
    rig : what the result was made for: the rig recorded in it, or today's where none is recorded.
    rig_hash, changed : hash of that rig; True when the rig folder has changed since.
    table_map, map_header : map.npz.
    design : design.npz, only if it belongs to the same rig.
    fit, verification, start, stop : the JSON files of these names, without format and version.
    as_built, as_built_grid : as_built.json; the arrays of as_built.npz.
    budget : budget.json.
    camera, camera_extra : camera.json of the rig folder, as it is today.
    file_hashes : name (from the rig folder) -> SHA-256, of the files that the report and the warp rest on.
    photo_before, photo_after : photographs of the check picture.
    missing : name of the part -> why it cannot be shown.
    """

    name: str
    rig: Rig
    rig_hash: str
    changed: bool
    table_map: PixelMap | None
    map_header: dict[str, Any]
    design: PixelMap | None
    fit: dict[str, Any]
    verification: dict[str, Any]
    as_built: dict[str, Any]
    as_built_grid: dict[str, Array] | None
    budget: dict[str, Any]
    camera: CameraModel | None
    camera_extra: dict[str, Any]
    photo_before: Photo | None
    photo_after: Photo | None
    start: dict[str, Any]
    stop: dict[str, Any]
    file_hashes: dict[str, str]
    missing: dict[str, str]


class _Collector:
    """Reads parts and remembers which of them could not be read, and why."""

    def __init__(self) -> None:
        self.missing: dict[str, str] = {}

    def part(self, name: str, path: Path, read: Callable[[Path], _T]) -> _T | None:
        """The part, or None after noting why."""
        if not path.is_file():
            self.missing[name] = f"no {path.name} in the folder"
            return None
        try:
            return read(path)
        except InputError as error:
            self.missing[name] = str(error)
            return None


def read_parts(folder: RigFolder, result: Path) -> ResultParts:
    """Everything that is there of a result of this rig folder."""
    collect = _Collector()
    start = collect.part("start record", result / START_FILE, lambda p: read_json(p, format="rigwarp run start")) or {}
    measured = collect.part("table map", result / MAP_FILE, read_map)
    header = measured[1] if measured else {}
    rig_hash = str(header.get("rig_hash") or start.get("rig_hash") or folder.rig_hash)
    changed = rig_hash != folder.rig_hash
    photos = [
        collect.part(f"photograph {when}", result / "pictures" / f"check_{when}.png", read_photo)
        for when in ("before", "after")
    ]
    camera_file = folder.root / CAMERA_FILE
    return ResultParts(
        name=result.name,
        rig=_rig_of_result(folder, start) if changed else folder.rig,
        rig_hash=rig_hash,
        changed=changed,
        table_map=measured[0] if measured else None,
        map_header=header,
        design=_design(collect, folder.root / DESIGN_FILE, rig_hash),
        fit=collect.part("fit figures", result / FIT_FILE, _any_json) or {},
        verification=collect.part("verification", result / VERIFICATION_FILE, _any_json) or {},
        as_built=collect.part("as-built figures", result / AS_BUILT_FILE, _any_json) or {},
        as_built_grid=collect.part("as-built mirror", result / AS_BUILT_ARRAYS_FILE, _grid),
        budget=collect.part("budget", result / BUDGET_FILE, _any_json) or {},
        camera=collect.part("camera", camera_file, read_camera),
        camera_extra=collect.part("camera", camera_file, read_camera_extra) or {},
        photo_before=photos[0],
        photo_after=photos[1],
        start=start,
        stop=collect.part("stop record", result / STOP_FILE, lambda p: read_json(p, format="rigwarp run stop")) or {},
        file_hashes=_file_hashes(folder.root, result, header, start),
        missing=collect.missing,
    )


def _file_hashes(root: Path, result: Path, header: dict[str, Any], start: dict[str, Any]) -> dict[str, str]:
    """SHA-256 of rig and camera file, what was decoded of each scan, and the result's own files but the report."""
    settings = start.get("settings")
    listed = settings.get("scans") if isinstance(settings, dict) else None
    stamps = listed if isinstance(listed, list) else str(header.get("scan")).split(" + ")  # one per zone
    scans = [root / "scans" / str(stamp) for stamp in stamps if isinstance(stamp, str) and "/" not in stamp]
    paths = [root / RIG_FILE, root / CAMERA_FILE, root / DESIGN_FILE]
    paths += [scan / name for scan in scans for name in ("patterns.json", "decoded.npz")]
    paths += sorted(path for path in result.glob("*") if path.suffix in (".json", ".npz"))
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in paths
        if path.is_file() and path.is_relative_to(root)
    }


def _rig_of_result(folder: RigFolder, start: dict[str, Any]) -> Rig:
    """The rig that the result was made with; today's where the record is unusable (the report warns of the change)."""
    text = start.get("rig_toml")
    if not isinstance(text, str):
        return folder.rig
    try:
        return parse_rig(text, source="the rig.toml recorded in the result")
    except InputError:
        return folder.rig


def _design(collect: _Collector, path: Path, rig_hash: str) -> PixelMap | None:
    read = collect.part("design map", path, read_map)
    if read is None:
        return None
    if read[1].get("rig_hash") != rig_hash:
        collect.missing["design map"] = "design.npz belongs to another state of the rig"
        return None
    return read[0]


def _any_json(path: Path) -> dict[str, Any]:
    """A JSON object of one of our formats, of any version: a report shows what it can."""
    text = read_text(path)
    try:
        name = json.loads(text).get("format")
    except (ValueError, AttributeError, RecursionError):
        name = None
    if not (isinstance(name, str) and name.startswith("rigwarp")):
        raise InputError(f"{path}: found no rigwarp file in it. Make the result again.")
    return read_json(path, format=name, version=json.loads(text).get("version"))


def _grid(path: Path) -> dict[str, Array]:
    """The arrays of an as-built file that agree with each other."""
    try:
        with np.load(io.BytesIO(read_bytes(path)), allow_pickle=False) as archive:
            arrays = {
                name: np.asarray(archive[name], float) for name in ("x_mm", "y_mm", *_GRIDS) if name in archive.files
            }
    except Exception as error:  # numpy and zipfile raise a dozen kinds on damaged archives
        raise InputError(f"{path}: not a readable npz file ({type(error).__name__}). Make the result again.") from error
    x, y = arrays.get("x_mm"), arrays.get("y_mm")
    if x is None or y is None or x.ndim != 1 or y.ndim != 1 or min(len(x), len(y)) < 2:
        raise InputError(f"{path}: found no grid x_mm, y_mm in it. Make the result again.")
    shape = (len(y), len(x))
    return {name: a for name, a in arrays.items() if name in ("x_mm", "y_mm") or a.shape == shape}
