"""A view's scan becomes its map: view.npz and view.json, made current."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.as_built import AsBuilt, estimate_as_built
from rigwarp.camera import CameraModel
from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import (
    RigFolder,
    complete_runs,
    is_complete,
    make_folder,
    make_view_current,
    new_run,
    read_camera,
    read_decoded,
    read_map,
    write_as_built,
    write_view_map,
)
from rigwarp.files.names import (
    CAMERA_FILE,
    DECODED_FILE,
    MAP_FILE,
    RESULTS,
    SHEETS_FILE,
    VIEW_FILE,
    VIEW_MAP_FILE,
    VIEW_SCANS,
    VIEWS,
)
from rigwarp.files.records import ScreenRecord, ViewMapFigures, ViewMirrorRecord, ViewRecord, ViewZoneRecord
from rigwarp.files.sheets_file import read_sheets
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.view.scan import BY_PROJECTOR, BY_SCREEN, view_of, view_settings
from rigwarp.jobs.view.screen import screen_of, screen_record
from rigwarp.jobs.view.told import steep, zone_record
from rigwarp.jobs.view.top import make_top
from rigwarp.jobs.view.trace import parts_of
from rigwarp.view import (
    LEAN_KNOWN,
    Lit,
    PartFit,
    Screen,
    Seen,
    ViewCover,
    ViewFit,
    ViewPart,
    cover_of,
    fit_view,
    joined_seen,
    laid_by_sheet,
    lit_by_projector,
    lit_by_screen,
    register_seen,
    screen_by_sheet,
    seen_by_projector,
    seen_by_screen,
)

_LAID_MM, _LAID_DEG = 2.0, 0.5  # so far a display lies from where it should without anybody wondering
_MOST_LIT = 0.98  # of what is seen; the rest is worth a word
_UNLIT = {
    BY_PROJECTOR: "lies in no light of the projector (in a shadow, or beside its picture) and has no place in the map. "
    "A display tells places there, too: rigwarp view scan --help",
    BY_SCREEN: "was beside the display wherever it lay, and has no place in the map. Lay it there, too",
}
_NO_SHEET = (
    "A display's places tell neither its glass nor its scale. Photograph the printed sheet, laid where [view.target] "
    "has it, and scan with that, too: rigwarp view scan --screen DIR --sheet PHOTO"
)
_MOSTLY, _ENOUGH = 0.3, 12  # of the variance; readings after which the next one tells little
_READ_MORE = (
    "{:.0f} % of the places' variance is how well the sheet was measured: read the four sides and both diagonals of "
    "its pattern off a steel rule, each twice and from another mark of the rule, write them as along_x_mm, along_y_mm "
    "and diagonals_mm into [view.target] instead of scale, and fit again"
)
_NOT_SURE = "only a scan by the calibrated projector knows places well enough for that"
_NO_LENS = (
    "the lens is not calibrated, and what it does cannot be told from the mirror's shape. Run: rigwarp view lens, and "
    "name its file as view.lens in rig.toml"
)


@dataclass(frozen=True, kw_only=True)
class ViewEvidence:
    """What scans of a view hold.

    Attributes
    ----------
    seen : the places that the camera's pixels see.
    lit : where on the table there was light to see.
    screen : the display that showed them, as a printed sheet beside it told it; None where none did.
    """

    seen: Seen
    lit: Lit
    screen: Screen | None = None


@dataclass(frozen=True, kw_only=True)
class ViewFitted:
    """A finished view.

    Attributes
    ----------
    run : its folder.
    fit : the map.
    evidence : what it was fitted to.
    cover : what of the table it sees.
    record : what view.json says.
    """

    run: Path
    fit: ViewFit
    evidence: ViewEvidence
    cover: ViewCover
    record: ViewRecord


def fit_rig_view(progress: Progress, folder: RigFolder, scan: str | None = None) -> ViewFitted:
    """Fit a view's map to a scan (the latest finished one) and make it current.

    Raises
    ------
    InputError
        There is no such scan, or what it was taken with is not there.
    MeasurementError
        The scan supports no map.
    """
    runs = scans_of(folder, scan)
    names = tuple(run.name for run in runs)
    progress.note(f"Fitting the scan {' + '.join(names)} of the view")
    by = str(view_settings(runs[0]).by)
    start = time.monotonic()
    parts = parts_of(folder)
    camera = read_camera(folder.root / CAMERA_FILE) if (folder.root / CAMERA_FILE).is_file() else None
    with (
        new_run(folder.root / VIEWS, "view fit", folder, settings={"scans": names}) as run,
        progress.stage(3, "Fitting the view") as advance,
    ):
        found = evidence_in(folder, runs, parts)
        advance()
        fit = fit_view(parts, found.seen, folder.rig.table, camera, lit=found.lit)
        fitted = time.monotonic()
        advance()
        built = [_as_built(folder, part, parts, camera, by) for part in fit.parts]
        advance()
        cover = cover_of(fit.view_map, folder.rig.table)
        seconds = {"fit": fitted - start, "as_built": time.monotonic() - fitted, "total": time.monotonic() - start}
        record = ViewRecord(
            by=by,
            scans=names,
            view_map=ViewMapFigures.of(fit),
            zones=_zone_records(fit),
            as_built=tuple(one for one, _ in built),
            screen=None if found.screen is None else screen_record(found.screen).to_dict(),
            overlap=cover.overlap_share,
            unseen=1.0 - cover.seen_share,
            cautions=(
                *_cautions(by, fit, cover),
                *(_screen_cautions(folder, runs[0], found.screen) if by == BY_SCREEN else ()),
                *make_top(folder, run, fit.view_map),
            ),
            seconds=seconds,
        )
        origin = {"rig_hash": folder.rig_hash, "scan": " + ".join(names)}
        write_view_map(
            run / VIEW_MAP_FILE,
            fit.view_map,
            fit.registration.lean_doubt,
            rig_hash=folder.rig_hash,
            scans=names,
        )
        for one, shape in built:
            if shape is not None:
                into = run / f"mirror-{one.mirror}"
                make_folder(into)
                write_as_built(into, shape, extra=origin)
        record.write(run / VIEW_FILE)
    make_view_current(folder.root, run)
    return ViewFitted(run=run, fit=fit, evidence=found, cover=cover, record=record)


def scans_of(folder: RigFolder, stamp: str | None) -> list[Path]:
    """The run folders of one scan of the view: one per zone of the projector's mirror, the latest finished by default.

    Raises
    ------
    InputError
        There is none, or it is not finished.
    """
    parent = folder.root / VIEW_SCANS
    if stamp is not None and not is_complete(parent / stamp):
        raise InputError(f"{parent / stamp}: found no finished scan of the view there, expected one. Leave --scan out.")
    finished = complete_runs(parent)
    if not finished:
        raise InputError(
            f"{parent}: found no finished scan of the view. Make one with: rigwarp view scan {folder.root}"
        )
    chosen = parent / stamp if stamp is not None else finished[-1]
    settings = view_settings(chosen)
    runs = [run for run in finished if settings.group and view_settings(run).group == settings.group] or [chosen]
    if len(runs) < len(settings.zones or (0,)):
        raise InputError(
            f"{chosen}: its scan is not finished in all zones. Scan again: rigwarp view scan {folder.root}"
        )
    return runs


def evidence_in(folder: RigFolder, runs: Sequence[Path], parts: Sequence[ViewPart]) -> ViewEvidence:
    """What the view's camera saw in the runs of one scan.

    Raises
    ------
    InputError
        The projector's result that they were taken with is not there any more.
    MeasurementError
        They see too little.
    """
    by = view_settings(runs[0]).by
    if by == BY_SCREEN:
        return _seen_on_screen(folder, runs, parts)
    if by != BY_PROJECTOR:
        raise InputError(f"{runs[0]}: found a scan by {by!r}, expected one by projector or screen. Scan again.")
    table = folder.rig.table
    table_map = read_map(folder.root / RESULTS / str(view_settings(runs[0]).result) / MAP_FILE)[0]
    seen = [seen_by_projector(read_decoded(run / DECODED_FILE), table_map, table) for run in runs]
    return ViewEvidence(seen=joined_seen(seen), lit=lit_by_projector(table_map, table))


def _seen_on_screen(folder: RigFolder, runs: Sequence[Path], parts: Sequence[ViewPart]) -> ViewEvidence:
    """Where the display lay is told by way of the lean: of the design first, then of the design as it was seen.

    A printed sheet on the table tells where the frame is, and the display, which is looked at once more then.
    """
    screen = _told_screen(runs[0])
    decoded = [read_decoded(run / DECODED_FILE) for run in runs]
    table = folder.rig.table
    target, sheets = view_of(folder).target, runs[0] / SHEETS_FILE
    corners = read_sheets(sheets, parts, target)[0] if sheets.is_file() else []
    roughly = seen_by_screen(decoded, screen, parts, LEAN_KNOWN, table)
    if corners:
        screen = laid_by_sheet(screen, roughly, corners, target)
        roughly = seen_by_screen(decoded, screen, parts, LEAN_KNOWN, table)
    registered, lean_doubt = register_seen(parts, roughly.seen, table)
    shown = seen_by_screen(decoded, screen, registered, lean_doubt, table)
    if corners:
        known = sheet_sigma_of(target)
        screen, lean_doubt = screen_by_sheet(screen, shown, lean_doubt, corners, target, known)
        shown = seen_by_screen(decoded, screen, registered, lean_doubt, table)
    lit = lit_by_screen(screen, shown.laid, table)
    return ViewEvidence(seen=shown.seen, lit=lit, screen=screen if corners else None)


def _told_screen(run: Path) -> Screen:
    return screen_of(ScreenRecord.from_dict(view_settings(run).screen or {}))


def _screen_cautions(folder: RigFolder, run: Path, found: Screen | None) -> list[str]:
    """Words on what limits places that a display told, and on a sheet that contradicts where it lay."""
    if found is None:
        return [_NO_SHEET]
    told, said = _told_screen(run), []
    x, y = np.subtract(found.centre_mm, told.centre_mm)
    turn = float(np.degrees(found.rotation_rad - told.rotation_rad))
    if np.hypot(x, y) > _LAID_MM or abs(turn) > _LAID_DEG:
        said.append(
            f"By the sheet the display lay ({x:.1f}, {y:.1f}) mm and {turn:.1f} degrees away from its first place: the "
            "map is in the frame of the sheet, where [view.target] in rig.toml has it"
        )
    target = view_of(folder).target
    readings = [*target.along_x_mm, *target.along_y_mm, *target.diagonals_mm]
    if found.print_share > _MOSTLY and len(readings) < _ENOUGH:
        said.append(_READ_MORE.format(100.0 * found.print_share))
    return said


def _as_built(
    folder: RigFolder, found: PartFit, parts: Sequence[ViewPart], camera: CameraModel | None, by: str
) -> tuple[ViewMirrorRecord, AsBuilt | None]:
    """How a mirror strays from its design, or why that is not told."""
    number = found.part.mirror
    if number is None:
        return ViewMirrorRecord(not_told="the table is seen directly"), None
    if folder.view_lens is None:
        return ViewMirrorRecord(mirror=number, not_told=_NO_LENS), None
    if by != BY_PROJECTOR or camera is None:
        return ViewMirrorRecord(mirror=number, not_told=_NOT_SURE), None
    design = next(part for part in parts if part.mirror == number)
    try:
        built = estimate_as_built(design.model, found.fit, design.tolerances, camera)
    except MeasurementError as error:
        return ViewMirrorRecord(mirror=number, not_told=str(error)), None
    record = ViewMirrorRecord(
        mirror=number,
        figure_rms_um=built.figures.rms_um,
        figure_pv_um=built.figures.pv_um,
        figure_sigma_um=float(np.nanmedian(built.height_sigma_um)),
        findings=tuple(finding.what for finding in built.findings),
    )
    return record, built


def _zone_records(fit: ViewFit) -> tuple[ViewZoneRecord, ...]:
    moved = fit.registration
    return tuple(
        zone_record(
            one.part,
            fit.view_map,
            moved.moved_mm[1 + number],
            moved.moved_rad[1 + number],
            design_rms_mm=moved.rms_before_mm[number],
            registered_rms_mm=moved.rms_after_mm[number],
        )
        for number, one in enumerate(fit.parts)
    )


def _cautions(by: str, fit: ViewFit, cover: ViewCover) -> list[str]:
    said = steep(cover)
    if fit.lit_share < _MOST_LIT:
        said.append(f"{100.0 * (1.0 - fit.lit_share):.0f} % of what the camera sees of the table {_UNLIT[by]}")
    if cover.seen_share < 1.0:
        said.append(
            f"{100.0 * (1.0 - cover.seen_share):.0f} % of the table has no measured pixel; the widest such place is "
            f"{cover.widest_unseen_mm:.0f} mm across"
        )
    if fit.not_proven:
        said.append(fit.not_proven.replace("projector pixels", "camera pixels"))
    return said
