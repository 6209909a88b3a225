"""What the design of a view sees of the table, before anything is measured."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import RigFolder, make_folder, rig_locked, write_bytes
from rigwarp.files.names import DESIGN_PICTURES, VIEW_DESIGN_FILE
from rigwarp.files.view_file import write_view_map
from rigwarp.geometry import ViewMap
from rigwarp.jobs.progress import SILENT, Progress
from rigwarp.view import ViewCover, ViewPart, cover_of, trace_view, view_parts

_LITTLE = 0.1  # of the table: whoever sees less has mistyped something, or wants to know


@dataclass(frozen=True, kw_only=True)
class ViewTraced:
    """The design of a view, traced.

    Attributes
    ----------
    path : view_design.npz.
    design : its map.
    cover : what of the table it sees.
    parts : what it looks through.
    pictures : files.
    doubts : what can hardly be meant, in words.
    """

    path: Path
    design: ViewMap
    cover: ViewCover
    parts: tuple[ViewPart, ...]
    pictures: list[Path]
    doubts: tuple[str, ...]


def parts_of(folder: RigFolder) -> tuple[ViewPart, ...]:
    """The design of a rig folder's view.

    Raises
    ------
    InputError
        The rig has no view, or it cannot be traced.
    """
    return view_parts(folder.rig, folder.view_lens, meshes=folder.meshes, profiles=folder.profiles)


def trace_rig_view(folder: RigFolder, progress: Progress = SILENT) -> ViewTraced:
    """Trace the view's design; write view_design.npz and pictures in place of older ones.

    Raises
    ------
    InputError
        A mirror cannot be traced, or the camera sees nothing of the table.
    """
    from rigwarp.reports.figures.view import view_cover, view_fineness  # matplotlib takes half a second

    with rig_locked(folder.root, "view trace"), progress.stage(3, "Tracing") as advance:
        parts = parts_of(folder)
        advance()
        design = trace_view(parts, folder.rig.table)
        if not design.answered.any():
            raise InputError(
                "view: the camera sees nothing of the table over its mirrors, expected at least a part of it. Check "
                "[view] position_mm and rotation_deg, and where each [[view.mirror]] hangs and which side reflects"
            )
        advance()
        cover = cover_of(design, folder.rig.table)
        path = folder.root / VIEW_DESIGN_FILE
        path.unlink(missing_ok=True)
        write_view_map(path, design, rig_hash=folder.rig_hash)
        drawn = {"view_cover.png": view_cover(cover, folder.rig), "view_lean.png": view_fineness(cover, folder.rig)}
        make_folder(folder.root / DESIGN_PICTURES)
        for name, data in drawn.items():
            write_bytes(folder.root / DESIGN_PICTURES / name, data, replace=True)
        advance()
    return ViewTraced(
        path=path,
        design=design,
        cover=cover,
        parts=parts,
        pictures=[folder.root / DESIGN_PICTURES / name for name in drawn],
        doubts=_doubts(design, cover, parts),
    )


def _doubts(design: ViewMap, cover: ViewCover, parts: tuple[ViewPart, ...]) -> tuple[str, ...]:
    found = []
    if cover.seen_share < _LITTLE:
        found.append(
            f"the camera sees only {100 * cover.seen_share:.1f} % of the table: check [view] and the [table] size"
        )
    for part in parts:
        if part.mirror is not None and not np.isin(design.zone, part.zones).any():
            found.append(f"{part.name} shows nothing of the table: check where it hangs and which side reflects")
    return tuple(found)
