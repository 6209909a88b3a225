"""`rigwarp view verify`: a printed sheet, which shares nothing with the scan, laid anywhere and measured by the map."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from rigwarp.camera.boards.board_shape import PLAIN_PRINT, sheet_sigma_of
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import RigFolder, current_view, read_photo, read_view_map
from rigwarp.files.names import VIEW_CHECK_FILE, VIEW_MAP_FILE
from rigwarp.files.records.view_check import SheetCheckRecord, ViewCheckRecord
from rigwarp.geometry import Array, ViewMap
from rigwarp.jobs.progress import Progress
from rigwarp.jobs.view.scan import view_of
from rigwarp.jobs.view.sheets import look_at_sheets
from rigwarp.jobs.view.trace import parts_of
from rigwarp.verification.dots.judge import error_figures
from rigwarp.verification.verdict import Verdict
from rigwarp.view.printed.check import SheetCheck, check_sheet_through
from rigwarp.view.printed.dots import check_dots_through

_CORNER_PX, _DOT_PX = 0.1, 0.05  # 1-sigma of a corner, and of a printed dot's middle, per axis
_NOT_COVERED = 1.5  # errors this many times as large as stated: sigma is not to be trusted
_SIGMAS = 3.0


@dataclass(frozen=True, kw_only=True)
class ViewVerified:
    """A check of a view: its folder, each photograph's sheet, the verdict, and what verification.json says."""

    run: Path
    checks: tuple[SheetCheck, ...]
    verdict: Verdict
    record: ViewCheckRecord
    left_out: tuple[str, ...]


def verify_view(
    progress: Progress, folder: RigFolder, photos: Sequence[Path], *, dots_mm: float | None = None
) -> ViewVerified:
    """Measure sheets in photographs through the current view's map; what is found is kept beside the map.

    With `dots_mm` the sheets show dots that far apart, else the board of view.target.

    Raises
    ------
    InputError
        There is no view, or a photograph is missing, damaged or of another size.
    MeasurementError
        A photograph shows no sheet, no dots, or only where the map ends.
    """
    view = view_of(folder)
    run = current_view(folder.root)
    view_map, _ = read_view_map(run / VIEW_MAP_FILE, resolution=view.resolution)
    left_out: list[str] = []
    if dots_mm is None:
        checks, left_out = _boards(progress, folder, photos, view_map)
    else:
        checks = []
        for number, path in enumerate(photos):
            with _named(path):
                photo, height_mm = read_photo(path), view.target.thickness_mm
                checks.append(check_dots_through(view_map, photo, number=number, pitch_mm=dots_mm, height_mm=height_mm))
    per_px = np.sqrt(np.abs(_mm2_per_px2(view_map.table_mm)))
    noise_px, names = _CORNER_PX if dots_mm is None else _DOT_PX, [path.name for path in photos]
    noise_mm = noise_px * float(np.nanmedian(per_px))
    known = sheet_sigma_of(view.target) if dots_mm is None else PLAIN_PRINT
    verdict, record = _judged(folder, checks, names, noise_mm, known.mean_scale)
    record.write(run / VIEW_CHECK_FILE, replace=True)
    return ViewVerified(run=run, checks=tuple(checks), verdict=verdict, record=record, left_out=tuple(left_out))


def _boards(
    progress: Progress, folder: RigFolder, photos: Sequence[Path], view_map: ViewMap
) -> tuple[list[SheetCheck], list[str]]:
    """The board in each photograph against its print, and what was left out."""
    target = view_of(folder).target
    corners, left_out = look_at_sheets(progress, folder, photos, parts_of(folder), view_map)
    checks = []
    for number, path in enumerate(photos):
        own = [one for one in corners if one.photo == number]
        with _named(path):
            checks.append(check_sheet_through(view_map, own, target))
    return checks, left_out


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """What goes wrong with a photograph names it."""
    try:
        yield
    except (InputError, MeasurementError) as error:
        told = str(error)
        raise type(error)(told if told.startswith(str(path)) else f"{path}: {told}") from None


def _mm2_per_px2(table_mm: Array) -> Array:
    """(H-1, W-1) area of the table that a pixel sees."""
    across, down = table_mm[:-1, 1:] - table_mm[:-1, :-1], table_mm[1:, :-1] - table_mm[:-1, :-1]
    return np.asarray(across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0])


def _judged(
    folder: RigFolder, checks: Sequence[SheetCheck], names: Sequence[str], noise_mm: float, scale_sigma: float
) -> tuple[Verdict, ViewCheckRecord]:
    tolerance = folder.rig.tolerance.content_p95_mm
    errors = np.concatenate([check.error_mm for check in checks])
    figures = error_figures(errors)
    z = [check.error_mm / np.hypot(check.sigma_mm, noise_mm)[:, None] for check in checks]
    spread = float(np.sqrt(np.mean(np.concatenate(z) ** 2)))
    failures, not_proven = [], []
    if figures.p95_mm > tolerance:
        failures.append(
            f"95 % of the print is within {figures.p95_mm:.2f} mm, rig.toml allows {tolerance:g} mm "
            "(tolerance.content_p95_mm): scan and fit again, and look whether camera or mirrors have moved"
        )
    if spread > _NOT_COVERED:
        not_proven.append(f"the errors are {spread:.1f} times as large as the map states")
    for name, check in zip(names, checks, strict=True):
        # a scale from corners is as sure as they are over the sheet's size
        size = float(np.ptp(check.table_mm, axis=0).max())
        doubt = _SIGMAS * (scale_sigma + float(np.median(check.sigma_mm)) / max(size, 1.0))
        if abs(check.scale - 1.0) > doubt:
            not_proven.append(
                f"{name}: by the map the sheet is {100 * (check.scale - 1):+.2f} % larger than printed; measure its "
                "rulers for view.target.scale, or the map is stretched there"
            )
    record = ViewCheckRecord(
        n=figures.n,
        rms_mm=figures.rms_mm,
        p95_mm=figures.p95_mm,
        max_mm=figures.max_mm,
        z_spread=spread,
        tolerance_mm=tolerance,
        failures=tuple(failures),
        not_proven=tuple(not_proven),
        sheets=tuple(_sheet(name, check, part) for name, check, part in zip(names, checks, z, strict=True)),
        checked_utc=datetime.now(UTC).isoformat(timespec="seconds"),
    )
    return Verdict(failures=tuple(failures), not_proven=tuple(not_proven)), record


def _sheet(name: str, check: SheetCheck, z: Array) -> SheetCheckRecord:
    figures = error_figures(check.error_mm)
    return SheetCheckRecord(
        photo=name,
        n=figures.n,
        outside=check.outside,
        centre_mm=tuple(float(c) for c in check.centre_mm),
        rotation_deg=float(np.degrees(check.rotation_rad)),
        scale=check.scale,
        rms_mm=figures.rms_mm,
        p95_mm=figures.p95_mm,
        max_mm=figures.max_mm,
        z_spread=float(np.sqrt(np.mean(z**2))),
    )
