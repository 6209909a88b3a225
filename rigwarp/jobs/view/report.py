"""report.html of the current view."""

from pathlib import Path

from rigwarp.files import RigFolder, current_view, read_view_map, write_text
from rigwarp.files.names import (
    AS_BUILT_ARRAYS_FILE,
    AS_BUILT_FILE,
    REPORT_FILE,
    TOP_FILE,
    VIEW_CHECK_FILE,
    VIEW_FILE,
    VIEW_MAP_FILE,
)
from rigwarp.files.records import AsBuiltRecord, ViewRecord, read_mirror_grid
from rigwarp.files.records.view import ViewCheckRecord
from rigwarp.files.top_file import read_top
from rigwarp.view import cover_of


def write_view_report(folder: RigFolder) -> Path:
    """Write the page into the current view's folder, in place of an older one.

    Raises
    ------
    InputError
        There is no view, or one of its files is damaged.
    """
    from rigwarp.reports.view_report import ViewParts, render_view_report  # matplotlib takes half a second

    run = current_view(folder.root)
    view_map, _ = read_view_map(run / VIEW_MAP_FILE)
    check, top = run / VIEW_CHECK_FILE, run / TOP_FILE
    parts = ViewParts(
        run=run,
        rig=folder.rig,
        record=ViewRecord.read(run / VIEW_FILE) if (run / VIEW_FILE).is_file() else ViewRecord(),
        view_map=view_map,
        cover=cover_of(view_map, folder.rig.table),
        top=read_top(top) if top.is_file() else None,
        check=ViewCheckRecord.read(check) if check.is_file() else None,
        grids={number: read_mirror_grid(path) for number, path in _grids(run).items()},
        built={number: AsBuiltRecord.read(path.parent / AS_BUILT_FILE) for number, path in _grids(run).items()},
    )
    write_text(run / REPORT_FILE, render_view_report(parts), replace=True)
    return run / REPORT_FILE


def _grids(run: Path) -> dict[int, Path]:
    """Where the forms of the view's mirrors are told, by number; those that no scan told have none."""
    found = run.glob(f"mirror-*/{AS_BUILT_ARRAYS_FILE}")
    return {int(path.parent.name.removeprefix("mirror-")): path for path in found}
