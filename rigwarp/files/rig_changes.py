"""What of rig.toml that a result rests on has changed since the result was made."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

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
        of_warp=_differing(_OF_WARP, then, folder.rig),
        of_map=_differing(_OF_MAP, then, folder.rig),
    )


_OF_WARP: Final[dict[str, Callable[[Rig], Any]]] = {
    "content": lambda rig: asdict(rig.content),
    "projector.gamma": lambda rig: rig.projector.transfer,
}
"""What goes into the warp beside the map, by key."""
_OF_MAP: Final[dict[str, Callable[[Rig], Any]]] = {
    "projector.resolution": lambda rig: rig.projector.resolution,
    "table.height_mm": lambda rig: rig.table.height_mm,
}
"""What a measured map rests on. Where the design puts things matters to the next fit only."""


def _differing(keys: Mapping[str, Callable[[Rig], Any]], one: Rig, other: Rig) -> tuple[str, ...]:
    return tuple(key for key, of in keys.items() if plain_json(of(one)) != plain_json(of(other)))
