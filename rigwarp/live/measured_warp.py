"""The warp of the live result, for the rig as rig.toml describes it now."""

from dataclasses import dataclass

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, current_result, read_map, read_map_light, read_prewarp
from rigwarp.files.names import MAP_FILE, PREWARP_FILE
from rigwarp.files.rig_changes import changes_since
from rigwarp.prewarp import Prewarp, build_prewarp


@dataclass(frozen=True, kw_only=True)
class MeasuredWarp:
    """A warp, and what people should know of it; empty for nothing."""

    prewarp: Prewarp
    note: str


def measured_warp(folder: RigFolder) -> MeasuredWarp:
    """The warp of the live result; made anew from its map where only the content or gamma of rig.toml has changed.

    Raises
    ------
    InputError
        If there is no usable result, or rig.toml has changed so that its map no longer holds.
    """
    result = current_result(folder.root)
    changed = changes_since(folder, result)
    if changed.of_map:
        raise InputError(
            f"{folder.root}: {' and '.join(changed.of_map)} in rig.toml changed since the result {result.name} was "
            f"made, and its map no longer holds. Measure again: rigwarp calibrate {folder.root}"
        )
    prewarp = read_prewarp(result / PREWARP_FILE, make_with=f"Make it with: rigwarp fit {folder.root}")
    if not changed.of_warp:
        return MeasuredWarp(prewarp=prewarp, note="")
    what = f"{' and '.join(changed.of_warp)} in rig.toml changed since the result {result.name} was made"
    table_map, light = read_map(result / MAP_FILE)[0], read_map_light(result / MAP_FILE)
    if light is None:
        raise InputError(f"{folder.root}: {what}. Fit the scan again: rigwarp fit {folder.root}")
    fresh = build_prewarp(table_map, folder.rig.content, folder.rig.projector.transfer, light=light)
    return MeasuredWarp(
        prewarp=fresh, note=f"{what}: its warp is made anew each time. To keep it: rigwarp fit {folder.root}"
    )
