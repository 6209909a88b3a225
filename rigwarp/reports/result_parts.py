"""What a result folder holds, read as far as it is there: a part that is missing or damaged is noted, not fatal."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files import RigFolder, read_camera, read_camera_extra, read_map, read_photo
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
from rigwarp.files.records import (
    AsBuiltRecord,
    BudgetRecord,
    FitRecord,
    MapOrigin,
    MirrorGrid,
    StartRecord,
    StopRecord,
    VerificationRecord,
    read_mirror_grid,
)
from rigwarp.geometry import Photo, PixelMap
from rigwarp.rig import Rig, parse_rig

_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True)
class ResultParts:
    """A result, part by part; None = not there, and `missing` says why.

    Attributes
    ----------
    name : the result folder's name.
    rig : what the result was made for: the rig recorded in it, or today's where none is recorded.
    rig_hash, changed : hash of that rig; True when the rig folder has changed since.
    table_map, map_origin : map.npz.
    design : design.npz, only if it belongs to the same rig.
    fit, verification, as_built, budget, start, stop : the JSON files of these names; empty records where missing.
    as_built_grid : the arrays of as_built.npz.
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
    map_origin: MapOrigin
    design: PixelMap | None
    fit: FitRecord
    verification: VerificationRecord
    as_built: AsBuiltRecord
    as_built_grid: MirrorGrid | None
    budget: BudgetRecord
    camera: CameraModel | None
    camera_extra: dict[str, Any]
    photo_before: Photo | None
    photo_after: Photo | None
    start: StartRecord
    stop: StopRecord
    file_hashes: dict[str, str]
    missing: dict[str, str]


def read_parts(folder: RigFolder, result: Path) -> ResultParts:
    """Everything that is there of a result of this rig folder."""
    missing: dict[str, str] = {}

    def part(name: str, path: Path, read: Callable[[Path], _T]) -> _T | None:
        """The part, or None after noting why it could not be read."""
        if not path.is_file():
            missing[name] = f"no {path.name} in the folder"
            return None
        try:
            return read(path)
        except InputError as error:
            missing[name] = str(error)
            return None

    start = part("start record", result / START_FILE, StartRecord.read) or StartRecord()
    made_with = _rig_of_result(folder, start)
    read_sized_map = partial(read_map, resolution=made_with.projector.resolution)
    measured = part("table map", result / MAP_FILE, read_sized_map)
    origin = MapOrigin.from_dict(measured[1] if measured else {})
    rig_hash = origin.rig_hash or start.rig_hash or folder.rig_hash
    changed = rig_hash != folder.rig_hash
    design = part("design map", folder.root / DESIGN_FILE, read_sized_map)
    if design and MapOrigin.from_dict(design[1]).rig_hash != rig_hash:
        design, missing["design map"] = None, "design.npz belongs to another state of the rig"
    photos = [
        part(f"photograph {when}", result / "pictures" / f"check_{when}.png", read_photo)
        for when in ("before", "after")
    ]
    camera_file = folder.root / CAMERA_FILE
    return ResultParts(
        name=result.name,
        rig=made_with if changed else folder.rig,
        rig_hash=rig_hash,
        changed=changed,
        table_map=measured[0] if measured else None,
        map_origin=origin,
        design=design[0] if design else None,
        fit=part("fit figures", result / FIT_FILE, FitRecord.read_any) or FitRecord(),
        verification=part("verification", result / VERIFICATION_FILE, VerificationRecord.read_any)
        or VerificationRecord(),
        as_built=part("as-built figures", result / AS_BUILT_FILE, AsBuiltRecord.read_any) or AsBuiltRecord(),
        as_built_grid=part("as-built mirror", result / AS_BUILT_ARRAYS_FILE, read_mirror_grid),
        budget=part("budget", result / BUDGET_FILE, BudgetRecord.read_any) or BudgetRecord(),
        camera=part("camera", camera_file, read_camera),
        camera_extra=part("camera", camera_file, read_camera_extra) or {},
        photo_before=photos[0],
        photo_after=photos[1],
        start=start,
        stop=part("stop record", result / STOP_FILE, StopRecord.read) or StopRecord(),
        file_hashes=_file_hashes(folder.root, result, origin, start),
        missing=missing,
    )


def _file_hashes(root: Path, result: Path, origin: MapOrigin, start: StartRecord) -> dict[str, str]:
    """SHA-256 of rig and camera file, what was decoded of each scan, and the result's own files but the report."""
    # one per zone; a corrected result's settings list none, but its map names them
    stamps = (origin.scan or "").split(" + ") if start.scans is None else start.scans
    scans = [root / "scans" / stamp for stamp in stamps if stamp and "/" not in stamp]
    paths = [root / RIG_FILE, root / CAMERA_FILE, root / DESIGN_FILE]
    paths += [scan / name for scan in scans for name in ("patterns.json", "decoded.npz")]
    paths += sorted(path for path in result.glob("*") if path.suffix in (".json", ".npz"))
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in paths
        if path.is_file() and path.is_relative_to(root)
    }


def _rig_of_result(folder: RigFolder, start: StartRecord) -> Rig:
    """The rig that the result was made with; today's where the record is unusable (the report warns of the change)."""
    if start.rig_toml is None:
        return folder.rig
    try:
        return parse_rig(start.rig_toml, source="the rig.toml recorded in the result")
    except InputError:
        return folder.rig
