"""A view by printed sheets: corners found in photographs of its camera, and the map that they support."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np

from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import (
    RigFolder,
    make_folder,
    make_view_current,
    new_run,
    read_photo,
    read_view_map,
    write_picture,
    write_view_map,
)
from rigwarp.files.names import FRAMES, SHEETS_FILE, VIEW_DESIGN_FILE, VIEW_FILE, VIEW_MAP_FILE, VIEW_SCANS, VIEWS
from rigwarp.files.records import MapOrigin, ViewMapFigures, ViewMirrorRecord, ViewRecord
from rigwarp.files.sheets_file import read_sheets, write_sheets
from rigwarp.geometry import ViewMap
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.view.scan import seen_folder, view_of, view_settings
from rigwarp.jobs.view.told import steep, zone_record
from rigwarp.jobs.view.top import make_top
from rigwarp.jobs.view.trace import parts_of
from rigwarp.view import ViewCover, ViewPart, cover_of, trace_view
from rigwarp.view.printed.fit import SheetFit, fit_sheets
from rigwarp.view.printed.found import SheetCorners, find_sheets

BY_SHEETS: Final = "sheets"
_BORNE_OUT = (0.7, 1.4)  # held-out corners over their stated sigma


@dataclass(frozen=True, kw_only=True)
class SheetsScanned:
    """Photographs looked at: the run, the corners of each photograph and zone, and what was left out of which one."""

    run: Path
    corners: tuple[SheetCorners, ...]
    photos: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SheetsFitted:
    """A finished view by sheets; `photos` are their names."""

    run: Path
    fit: SheetFit
    cover: ViewCover
    record: ViewRecord
    photos: tuple[str, ...]


def view_design(folder: RigFolder, parts: Sequence[ViewPart]) -> ViewMap:
    """What the design sees: as traced last, or traced now where rig.toml has changed since."""
    path = folder.root / VIEW_DESIGN_FILE
    if path.is_file():
        design, header = read_view_map(path)
        if MapOrigin.from_dict(header).rig_hash == folder.rig_hash:
            return design
    return trace_view(parts, folder.rig.table)


def look_at_sheets(
    progress: Progress, folder: RigFolder, photos: Sequence[Path], parts: Sequence[ViewPart], design: ViewMap
) -> tuple[list[SheetCorners], list[str]]:
    """The board in every zone of every photograph, and what was left out, in words.

    Raises
    ------
    InputError
        A photograph is missing, damaged or of another size.
    MeasurementError
        A photograph shows the board in no zone.
    """
    view = view_of(folder)
    corners: list[SheetCorners] = []
    left_out: list[str] = []
    pictures: dict[bytes, Path] = {}
    with progress.stage(len(photos), "Looking for the sheet") as advance:
        for number, path in enumerate(photos):
            try:
                photo = read_photo(path)
                if (same := pictures.setdefault(sha256(photo).digest(), path)) is not path:
                    raise InputError(f"found the same photograph as {same}, expected another one. Leave it out")
                found = find_sheets(photo, view.target, parts, design, number=number)
            except InputError as error:
                told = str(error)
                raise InputError(told if told.startswith(str(path)) else f"{path}: {told}") from None
            if not found.corners:
                if found.refused:
                    raise MeasurementError(f"{path}: {'; '.join(dict.fromkeys(found.refused))}")
                raise MeasurementError(
                    f"{path}: the sheet is seen in no mirror: lay it where the camera sees it over a mirror, "
                    "light it evenly, and check that [view.target] in rig.toml describes it"
                )
            corners += found.corners
            left_out += [f"{path.name}, {reason}" for reason in found.refused]
            advance()
    return corners, left_out


def scan_sheets(progress: Progress, folder: RigFolder, photos: Sequence[Path]) -> SheetsScanned:
    """Find the sheet in photographs of the view's camera; what was found becomes a scan of the view.

    Raises
    ------
    InputError, MeasurementError
        As for `look_at_sheets`.
    """
    parts = parts_of(seen_folder(folder))
    corners, left_out = look_at_sheets(progress, folder, photos, parts, view_design(folder, parts))
    names = tuple(path.name for path in photos)
    with new_run(folder.root / VIEW_SCANS, "view scan", folder, settings={"by": BY_SHEETS, "photos": names}) as run:
        make_folder(run / FRAMES)
        for number, path in enumerate(photos):
            write_picture(run / FRAMES / f"{number:04d}.png", read_photo(path))
        write_sheets(run / SHEETS_FILE, corners, view_of(folder).target, photos=names)
    return SheetsScanned(run=run, corners=tuple(corners), photos=names, left_out=tuple(left_out))


def is_by_sheets(run: Path) -> bool:
    """Whether a scan of the view was one of printed sheets."""
    return view_settings(run).by == BY_SHEETS


def fit_view_by_sheets(progress: Progress, folder: RigFolder, scan: Path) -> SheetsFitted:
    """Fit the view's map to corners of sheets and make it current.

    Raises
    ------
    MeasurementError
        They support none.
    """
    view = view_of(folder)
    start, parts = time.monotonic(), parts_of(folder)
    corners, photos = read_sheets(scan / SHEETS_FILE, parts, view.target)
    with (
        new_run(folder.root / VIEWS, "view fit", folder, settings={"scans": [scan.name]}) as run,
        progress.stage(1, "Fitting the view") as advance,
    ):
        known = sheet_sigma_of(view.target)
        fit = fit_sheets(parts, corners, view.target, folder.rig.table, known)
        advance()
        cover = cover_of(fit.view_map, folder.rig.table)
        cautions = [*_cautions(fit, parts), *steep(cover), *make_top(folder, run, fit.view_map)]
        seconds = time.monotonic() - start
        record = ViewRecord(
            by=BY_SHEETS,
            scans=(scan.name,),
            view_map=sheet_figures(fit),
            zones=tuple(
                zone_record(part, fit.view_map, shifts[6:9], shifts[9:])
                for part, shifts in zip(fit.parts, fit.shifts, strict=True)
            ),
            as_built=tuple(
                ViewMirrorRecord(mirror=part.mirror, not_told="printed sheets tell too few places for that")
                for part in parts
                if part.mirror is not None
            ),
            overlap=cover.overlap_share,
            unseen=1.0 - cover.seen_share,
            cautions=tuple(cautions),
            seconds={"fit": seconds, "total": seconds},
        )
        write_view_map(run / VIEW_MAP_FILE, fit.view_map, fit.lean_doubt, rig_hash=folder.rig_hash, scans=(scan.name,))
        record.write(run / VIEW_FILE)
    make_view_current(folder.root, run)
    return SheetsFitted(run=run, fit=fit, cover=cover, record=record, photos=tuple(photos))


def sheet_figures(fit: SheetFit) -> ViewMapFigures:
    """Each corner against what all others say of it."""
    length = np.linalg.norm(fit.residual_mm, axis=-1)
    spread = float(np.sqrt(np.mean((fit.residual_mm / fit.sigma_mm) ** 2)))
    seen = fit.view_map.answered
    borne_out = _BORNE_OUT[0] <= spread <= _BORNE_OUT[1]
    return ViewMapFigures(
        n=len(length),
        rms_mm=float(np.sqrt(np.mean(length**2))),
        p95_mm=float(np.percentile(length, 95)),
        max_mm=float(length.max()),
        coverage=float(np.mean(fit.view_map.measured[seen])),
        z_spread=spread,
        not_proven=None if borne_out else f"corners left out scatter {spread:.2f} times as far as stated",
    )


def _cautions(fit: SheetFit, parts: Sequence[ViewPart]) -> list[str]:
    said = []
    seen = fit.view_map.answered
    inferred = float(np.mean(~fit.view_map.measured[seen]))
    if inferred > 0.02:
        worst = float(np.max(fit.view_map.sigma_mm[seen]))
        said.append(
            f"{100.0 * inferred:.0f} % of what the camera sees lies beside all sheets and is inferred from the design, "
            f"with a sigma of up to {worst:.2g} mm; photograph the sheet there, too"
        )
    unseen = [part.name for part in parts if not np.isin(fit.zone, part.zones).any()]
    if unseen:
        said.append(f"No sheet was seen over {' and '.join(unseen)}: there the design alone tells places")
    if not fit.tied:
        said.append(
            "No sheet is seen by all mirrors, directly or one after the other: how they lie to each other rests on the "
            "tolerances in rig.toml. Lay one sheet so that two mirrors see parts of it"
        )
    if fit.strays:
        said.append(f"{fit.strays} corners contradict all others and were left out")
    return said
