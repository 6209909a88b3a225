"""The tables of the straight top view, made once with the view's map."""

from pathlib import Path

from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, current_view
from rigwarp.files.names import TOP_FILE
from rigwarp.files.top_file import read_top, write_top
from rigwarp.geometry import ViewMap
from rigwarp.jobs.view.scan import view_of
from rigwarp.view.top import TopMaps, build_top

_LITTLE = 0.1  # of the top view


def make_top(folder: RigFolder, run: Path, view_map: ViewMap) -> list[str]:
    """Write top.npz into a view's folder; what a user should know of it, in words."""
    try:
        maps = build_top(view_map, view_of(folder).top)
    except MeasurementError as error:
        return [f"There is no top view: {error}"]
    write_top(run / TOP_FILE, maps, rig_hash=folder.rig_hash)
    return top_cautions(maps)


def top_cautions(maps: TopMaps) -> list[str]:
    """What a user should know of a top view."""
    said = []
    if maps.seen < _LITTLE:
        width, depth = maps.top.size_mm
        said.append(
            f"The camera sees only {100.0 * maps.seen:.0f} % of the {width:g} x {depth:g} mm of the top view: check "
            "[view.top] in rig.toml"
        )
    if maps.doubles_mm < float("inf"):
        said.append(f"In the top view things higher than {maps.doubles_mm:.0f} mm can be seen twice along a seam")
    return said


def current_top(folder: RigFolder) -> tuple[Path, TopMaps]:
    """The live view's folder and the tables of its top view.

    Raises
    ------
    InputError
        There is no view, it has no top view, or rig.toml asks for another one by now.
    """
    view = folder.rig.view
    if view is None:
        raise InputError(
            f"{folder.root / 'rig.toml'}: found no [view], expected the camera that sees the table. Add it."
        )
    run, advice = current_view(folder.root), f"Make it with: rigwarp view fit {folder.root}"
    return run, read_top(run / TOP_FILE, resolution=view.resolution, make_with=advice)
