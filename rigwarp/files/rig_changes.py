"""What of rig.toml that a result rests on has changed since the result was made."""

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rigwarp.errors import InputError
from rigwarp.files.atomic import plain_json
from rigwarp.files.names import START_FILE
from rigwarp.files.records.run import StartRecord
from rigwarp.files.rig_folder import RigFolder
from rigwarp.rig import Rig, parse_rig


@dataclass(frozen=True, kw_only=True)
class RigChanges:
    """Keys of rig.toml that differ: those of the warp alone, and those that the measured map rests on."""

    of_warp: tuple[str, ...] = ()
    of_map: tuple[str, ...] = ()


def changes_since(folder: RigFolder, result: Path) -> RigChanges:
    """Compare rig.toml with what it was when a result was made; nothing where the result does not tell.

    Raises
    ------
    InputError
        If its start.json is missing or damaged.
    """
    text = StartRecord.read(result / START_FILE).rig_toml
    if text is None or text == folder.rig_text:
        return RigChanges()
    try:
        then = parse_rig(text, source=str(result / START_FILE))
    except InputError:
        return RigChanges()  # written by a version that knew other keys
    return RigChanges(
        of_warp=_differing(_of_warp(then), _of_warp(folder.rig)),
        of_map=_differing(_of_map(then), _of_map(folder.rig)),
    )


def _of_warp(rig: Rig) -> dict[str, str]:
    """Hashes of what goes into the warp beside the map, by key."""
    return {"content": _hash(asdict(rig.content)), "projector.gamma": _hash(rig.projector.transfer)}


def _of_map(rig: Rig) -> dict[str, str]:
    """Hashes of what a measured map rests on. Where the design puts things matters to the next fit only."""
    return {
        "projector.resolution": _hash(rig.projector.resolution),
        "table.height_mm": _hash(rig.table.height_mm),
    }


def _differing(one: dict[str, str], other: dict[str, str]) -> tuple[str, ...]:
    return tuple(key for key in one if one[key] != other[key])


def _hash(value: Any) -> str:
    return hashlib.sha256(json.dumps(plain_json(value), sort_keys=True).encode()).hexdigest()
