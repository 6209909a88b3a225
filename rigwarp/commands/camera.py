"""`rigwarp camera`: the lens from photos of the hand-held board, the pose from one of the sheet on the table."""

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

import rigwarp
from rigwarp.camera import (
    BoardView,
    CameraModel,
    LensResult,
    TablePose,
    calibrate_lens_from_views,
    detect_board,
    locate_table_from_view,
)
from rigwarp.camera.boards.board import board_corners_mm
from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.camera.table.table_flatness import further_sheet
from rigwarp.commands.camera_live import take_photos
from rigwarp.commands.camera_report import (
    CameraMade,
    PhotoUsed,
    content_sigma_mm,
    figures,
    judge_lens,
    picture_of,
    tell,
)
from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.errors import InputError, UsageError
from rigwarp.files import (
    RigFolder,
    list_photos,
    name_aside,
    open_rig,
    read_bytes,
    read_camera,
    read_photo,
    write_bytes,
    write_camera,
)
from rigwarp.files.names import CAMERA_FILE

CAMERA_PICTURE = "camera.png"
_LENS_USE, _TABLE_USE, _FURTHER_USE = "lens", "table", "further sheet"


def camera(
    rig: RigArgument,
    lens: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Photos of the hand-held board, each tilted another way.", show_default=False),
    ] = None,
    table: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="PHOTO",
            help="A photo of the sheet that lies on the table. Given again: of the sheet elsewhere on it.",
            show_default=False,
        ),
    ] = None,
    keep_lens: Annotated[
        bool,
        typer.Option("--keep-lens", help="Live: photograph the sheet only, with the lens of the camera.json there is."),
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Make a new camera.json; the old one is kept beside it.")
    ] = False,
    thickness_mm: Annotated[
        float | None,
        typer.Option(
            "--thickness",
            metavar="MM",
            help="Of the sheet on the table, this once. [default: target.thickness_mm in rig.toml]",
            min=0.0,
            show_default=False,
        ),
    ] = None,
    preview: Annotated[
        bool, typer.Option("--preview/--no-preview", help="Live: show the camera's picture in a window.")
    ] = True,
    json: JsonOption = False,
) -> None:
    """Calibrate the camera's lens and find where it is over the table; writes camera.json.

    Without --lens and --table the photos are taken live from the rig's camera, and the window tells what to do. Hold
    the board close to the camera and tilt it, about 30 degrees, in different directions; a shot is taken when it is
    sharp, held still and new; the hatched parts of the picture still lack the board. Then fix the camera over the
    table, lay the sheet where target.centre_mm in rig.toml says, and press Enter. Zoom, focus and picture size stay
    the same in all of them and in the scans.

    With --lens and --table photos taken elsewhere are used: about ten of the board, one of the sheet. With --table
    alone the lens of the camera.json that is there is kept: for a camera that was only moved. --table may be given
    several times: the first photo makes the pose, the others, of the sheet elsewhere on the table, check that the table
    is level and flat.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    if lens is not None and not table:
        raise UsageError(
            f"--lens is given without --table. Add one photo of the sheet on the table: rigwarp camera {rig} --lens "
            f"{lens} --table PHOTO"
        )
    if keep_lens and (lens is not None or table):
        raise UsageError("--keep-lens is for live photos; --table alone keeps the lens as well")
    _require_free(folder, replace=replace)
    if not table:
        taken = take_photos(console, folder, preview=preview, earlier=_earlier(folder) if keep_lens else None)
        lens, table = taken.lens, [taken.table]
    made = calibrate_camera(
        console, folder, lens=lens, table=table[0], further=table[1:], thickness_mm=thickness_mm, replace=replace
    )
    console.result(_result(made))


def calibrate_camera(
    console: Console,
    folder: RigFolder,
    *,
    lens: Path | None,
    table: Path,
    further: Sequence[Path] = (),
    thickness_mm: float | None = None,
    replace: bool = False,
) -> CameraMade:
    """Calibrate from photos on disk, write camera.json and tell what came out; `lens` None keeps the earlier lens.

    `further` are photos of the sheet elsewhere on the table; `thickness_mm` None: the sheet's in rig.toml.
    """
    _require_free(folder, replace=replace)
    tables = [table, *further]
    boards = [] if lens is None else [path for path in list_photos(lens) if not _among(path, tables)]
    files = [*boards, *tables]
    views, sums = [], []
    with console.stage(len(files), "Looking for the board") as advance:
        for path in files:
            views.append(_look(folder, path))
            sums.append(hashlib.sha256(read_bytes(path)).hexdigest())
            advance()
    held, lying, others = views[: len(boards)], views[len(boards)], views[len(boards) + 1 :]
    result = None if lens is None else calibrate_lens_from_views(held)
    target = folder.rig.target
    thickness_mm = target.thickness_mm if thickness_mm is None else thickness_mm
    sheet_height_mm, known = folder.rig.table.height_mm + thickness_mm, sheet_sigma_of(thickness_mm)
    lens_known = result or _earlier(folder)
    pose = locate_table_from_view(lying, lens_known, target, height_mm=sheet_height_mm, sheet_sigma=known)
    support, released = (None, None) if result is None else judge_lens(result, len(board_corners_mm(target)))
    made = CameraMade(
        path=folder.root / CAMERA_FILE,
        kept_aside=_aside(folder),
        lens=result,
        support=support,
        released=released,
        pose=pose,
        sheets=tuple(further_sheet(v, pose.camera, target, sheet_height_mm=sheet_height_mm) for v in others),
        sheet_height_mm=sheet_height_mm,
        content_sigma_mm=content_sigma_mm(pose.camera, folder.rig),
        photos=_photos_used(files, sums, views, result, pose, len(boards)),
    )
    _write(folder, made)
    tell(console, made, None if result is None else folder.root / CAMERA_PICTURE)
    if target.scale == (1.0, 1.0):
        console.note(
            "target.scale in rig.toml is [1, 1], as for a perfect print; printers err by 0.1 to 0.5 %. Measure the "
            "printed rulers, enter measured / nominal, and run this again: every length on the table hangs on it."
        )
    return made


def _require_free(folder: RigFolder, *, replace: bool) -> None:
    path = folder.root / CAMERA_FILE
    if path.exists() and not replace:
        raise InputError(
            f"{path}: found a camera that is already there, expected none. Give --replace to make a new one "
            "(the old one is kept beside it)."
        )


def _look(folder: RigFolder, path: Path) -> BoardView:
    photo = read_photo(path)
    size, wanted = photo.shape[::-1], folder.rig.camera.resolution
    if size != wanted:
        raise InputError(
            f"{path}: found {size[0]} x {size[1]} pixels, rig.toml says camera.resolution = [{wanted[0]}, {wanted[1]}]."
            " All photos and scans must have one size: set camera.resolution to that of the scans, or take the photos "
            "again with the same setting."
        )
    return detect_board(photo, folder.rig.target)


def _earlier(folder: RigFolder) -> CameraModel:
    """The camera that is there, for its lens."""
    return read_camera(
        folder.root / CAMERA_FILE, make_with=f"Make it with: rigwarp camera {folder.root} --lens DIR --table PHOTO"
    )


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
        PhotoUsed(
            file=path.name,
            sha256=digest,
            use=use,
            corners=view.n,
            rms_px=rms.get(index),
            rejected=rejected.get(index),
        )
        for index, (path, digest, view, use) in enumerate(zip(files, sums, views, uses, strict=True))
    )


def _aside(folder: RigFolder) -> Path | None:
    """What the camera.json that is there will be called; None when there is none."""
    path = folder.root / CAMERA_FILE
    return name_aside(path) if path.exists() else None


def _write(folder: RigFolder, made: CameraMade) -> None:
    """Write camera.json, and the picture of the lens; an older camera.json is first copied to its other name."""
    if made.kept_aside is not None:
        write_bytes(made.kept_aside, read_bytes(made.path))
    extra = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "rigwarp": rigwarp.__version__,
        "rig_hash": folder.rig_hash,
        **figures(made),
        "photos": [photo.record() for photo in made.photos],
    }
    write_camera(made.path, made.pose.camera, extra=extra, replace=made.kept_aside is not None)
    if made.lens is not None and made.support is not None:
        write_bytes(folder.root / CAMERA_PICTURE, picture_of(made.lens, made.support), replace=True)


def _result(made: CameraMade) -> dict[str, Any]:
    return {
        "camera": made.path,
        "kept_aside": made.kept_aside,
        **figures(made),
        "photos": [photo.record() for photo in made.photos],
    }
