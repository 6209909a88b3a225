"""The camera from photographs on disk: the lens from the hand-held board, the pose from the sheet on the table."""

import dataclasses
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

import rigwarp
from rigwarp.camera import (
    BoardView,
    LensResult,
    TablePose,
    calibrate_lens_from_views,
    detect_board,
    locate_table_from_view,
)
from rigwarp.camera.boards.board import board_corners_mm
from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.camera.boards.detection import empty_view
from rigwarp.camera.boards.layout import decide_layout, layouts_differ
from rigwarp.camera.boards.sheet_code import SheetCode, check_sheet
from rigwarp.camera.table.table_flatness import further_sheet
from rigwarp.errors import InputError
from rigwarp.files import (
    RigFolder,
    list_photos,
    name_aside,
    other_pictures,
    read_bytes,
    read_photo,
    rig_locked,
    write_bytes,
    write_camera,
)
from rigwarp.files.camera_file import camera_of
from rigwarp.files.names import CAMERA_FILE, CAMERA_PICTURE
from rigwarp.files.reading import sha256_of
from rigwarp.geometry.threads import in_two_threads
from rigwarp.jobs.bench.camera_record import CameraMade, PhotoUsed, content_sigma_mm, figures, judge_lens
from rigwarp.jobs.progress import Progress
from rigwarp.rig.model import Target

_TRIES = 4  # photos of the board in the hand that are searched for the code on its sheet
_LENS_USE, _TABLE_USE, _FURTHER_USE = "lens", "table", "further sheet"


def calibrate_camera(
    progress: Progress,
    folder: RigFolder,
    *,
    lens: Path | None,
    table: Path,
    further: Sequence[Path] = (),
    thickness_mm: float | None = None,
    replace: bool = False,
) -> CameraMade:
    """Calibrate from photos on disk, and write camera.json; `lens` None keeps the earlier lens.

    `further` are photos of the sheet elsewhere on the table; `thickness_mm` None: the sheet's in rig.toml.
    """
    require_free(folder, replace=replace)
    tables = [table, *further]
    boards = [] if lens is None else [path for path in list_photos(lens) if not _among(path, tables)]
    files, target = [*boards, *tables], folder.rig.target
    views, sums, code = [], [], None
    with ThreadPoolExecutor(1) as beside, progress.stage(len(files), "Looking for the board") as advance:
        if lens is not None:
            beside.submit(import_module, "rigwarp.reports.figures.lens")  # matplotlib takes half a second to load
        for first in range(0, len(files), 2):
            untold = code is None and first < _TRIES

            def look(path: Path, untold: bool = untold) -> tuple[BoardView, SheetCode | None, str]:
                view, found = _look(folder, path, target, read=untold or path in tables, needed=path in tables)
                return view, found, sha256_of(path)

            for view, found, digest in in_two_threads(look, files[first : first + 2]):
                views.append(view)
                code = code or found
                sums.append(digest)
                advance()
    target = _of_one_layout(progress, target, views)
    for number, path in enumerate(files):
        if views[number].n and target.layout is not None and views[number].legacy != (target.layout == "old"):
            views[number], _ = _look(folder, path, target, read=False, needed=path in tables)
    held, lying, others = views[: len(boards)], views[len(boards)], views[len(boards) + 1 :]
    result = None if lens is None else calibrate_lens_from_views(held)
    thickness_mm = target.thickness_mm if thickness_mm is None else thickness_mm
    sheet_height_mm, known = folder.rig.table.height_mm + thickness_mm, sheet_sigma_of(target, thickness_mm)
    lens_known = result or camera_of(folder)
    pose = locate_table_from_view(lying, lens_known, target, height_mm=sheet_height_mm, sheet_sigma=known)
    support, released = (None, None) if result is None else judge_lens(result, len(board_corners_mm(target)))
    path = folder.root / CAMERA_FILE
    made = CameraMade(
        path=path,
        kept_aside=name_aside(path) if path.exists() else None,
        lens=result,
        support=support,
        released=released,
        pose=pose,
        sheets=tuple(further_sheet(v, pose.camera, target, sheet_height_mm=sheet_height_mm) for v in others),
        sheet_height_mm=sheet_height_mm,
        content_sigma_mm=content_sigma_mm(pose.camera, folder.rig),
        photos=(
            *_photos_used(files, sums, views, result, pose, len(boards)),
            *(() if lens is None else map(_unread, other_pictures(lens))),
        ),
        sheet_code=code,
    )
    _write(folder, made)
    if code is not None:
        progress.note(f"The code on the sheet (print {code.print_id}) names the same board as rig.toml.")
    if target.scale == (1.0, 1.0):
        progress.note(
            "target.scale in rig.toml is [1, 1], as for a perfect print; printers err by 0.1 to 0.5 %. Measure the "
            "printed rulers, enter measured / nominal, and run this again: every length on the table hangs on it."
        )
    return made


def require_free(folder: RigFolder, *, replace: bool) -> None:
    path = folder.root / CAMERA_FILE
    if path.exists() and not replace:
        raise InputError(
            f"{path}: found a camera that is already there, expected none. Give --replace to make a new one "
            "(the old one is kept beside it)."
        )


def _look(
    folder: RigFolder, path: Path, target: Target, *, read: bool, needed: bool
) -> tuple[BoardView, SheetCode | None]:
    """The board in a photo, and the code on its sheet if it is to be read; MeasurementError if it is another sheet.

    A file that cannot be read shows no board, and is refused where it is `needed`.
    """
    try:
        photo = read_photo(path)
    except InputError as error:
        if needed:
            raise
        damaged = str(error).removeprefix(f"{path}: ")
        return empty_view(folder.rig.camera.resolution, target, oddity=damaged), None
    size, wanted = photo.shape[::-1], folder.rig.camera.resolution
    if size != wanted:
        raise InputError(
            f"{path}: found {size[0]} x {size[1]} pixels, rig.toml says camera.resolution = [{wanted[0]}, {wanted[1]}]."
            " All photos and scans must have one size: set camera.resolution to that of the scans, or take the photos "
            "again with the same setting."
        )
    view = detect_board(photo, target)
    return view, check_sheet(photo, view, target, path.name, read=read)


def _of_one_layout(progress: Progress, target: Target, views: Sequence[BoardView]) -> Target:
    """The target with the one layout that all photographs together show, where that can be told."""
    if target.layout is not None or not layouts_differ(target):
        return target
    layout = decide_layout(view.layout_votes for view in views)
    if layout == "old":
        progress.note(
            "The board is in the layout that OpenCV drew before version 4.6. Put it into rig.toml, for photographs of "
            'a part of it: under [target], layout = "old".'
        )
    elif layout != "new" and any(view.n for view in views):
        square_mm = target.square_mm
        progress.note(
            "No photograph shows in which of OpenCV's two layouts the board is: the new one is assumed. Were it the "
            f"one from before version 4.6, everything would be shifted by one square, {square_mm:g} mm. Let the left "
            'and right ends of the board be seen, or put layout = "new" or "old" into rig.toml under [target].'
        )
    return dataclasses.replace(target, layout=layout or "new")


def _unread(path: Path) -> PhotoUsed:
    why = f"{path.suffix[1:].upper()} cannot be read: convert it to PNG or JPEG"
    return PhotoUsed(file=path.name, sha256=sha256_of(path), use=_LENS_USE, corners=0, rms_px=None, rejected=why)


def _among(path: Path, others: Sequence[Path]) -> bool:
    return any(other.exists() and path.samefile(other) for other in others)


def _photos_used(
    files: Sequence[Path],
    sums: Sequence[str],
    views: Sequence[BoardView],
    result: LensResult | None,
    pose: TablePose,
    n_boards: int,
) -> tuple[PhotoUsed, ...]:
    rms: dict[int, float] = {n_boards: pose.rms_px}
    rejected: dict[int, str] = {}
    if result is not None:
        rms |= {index: float(value) for index, value in zip(result.used, result.view_rms_px, strict=True)}
        rejected |= dict(result.rejected)
    uses = [_LENS_USE] * n_boards + [_TABLE_USE] + [_FURTHER_USE] * (len(files) - n_boards - 1)
    return tuple(
        PhotoUsed(file=path.name, sha256=sha, use=use, corners=view.n, rms_px=rms.get(i), rejected=rejected.get(i))
        for i, (path, sha, view, use) in enumerate(zip(files, sums, views, uses, strict=True))
    )


def _write(folder: RigFolder, made: CameraMade) -> None:
    """Write camera.json, and the picture of the lens; an older camera.json is first copied to its other name."""
    extra = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "rigwarp": rigwarp.__version__,
        "rig_hash": folder.rig_hash,
        **figures(made),
        "photos": [photo.record() for photo in made.photos],
    }
    with rig_locked(folder.root, "camera"):
        if made.kept_aside is not None:
            write_bytes(made.kept_aside, read_bytes(made.path))
        write_camera(made.path, made.pose.camera, extra=extra, replace=made.kept_aside is not None)
        if made.lens is not None and made.support is not None:
            from rigwarp.reports.figures.lens import lens_picture

            lens, seen = made.lens, [view.image_px for view in made.lens.views]
            picture = lens_picture(made.support, seen, lens.residual_px, lens.fit.kept, lens.resolution)
            write_bytes(folder.root / CAMERA_PICTURE, picture, replace=True)
