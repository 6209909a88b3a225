"""`rigwarp camera`: the lens from photos of the hand-held board, the pose from one of the sheet on the table."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
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
from rigwarp.camera.board_shape import SHAPE_TERMS
from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.devices import open_virtual
from rigwarp.errors import DeviceError, InputError, UsageError
from rigwarp.files import (
    RigFolder,
    list_photos,
    open_rig,
    read_bytes,
    read_camera,
    read_photo,
    write_bytes,
    write_camera,
    write_picture,
)

CAMERA_FILE = "camera.json"
PAPER_MM = 0.1  # plain office paper, 80 g/m2
_STAMP = "%Y%m%dT%H%M%SZ"
_LENS_USE, _TABLE_USE = "lens", "table"


@dataclass(frozen=True, kw_only=True)
class PhotoUsed:
    """A photograph, what it was for, and what came of it (`rejected` None = used)."""

    file: str
    sha256: str
    use: str
    corners: int
    rms_px: float | None
    rejected: str | None


@dataclass(frozen=True, kw_only=True)
class CameraMade:
    """What one calibration of the camera gave; `lens` None when an earlier lens was kept."""

    path: Path
    kept_aside: Path | None
    lens: LensResult | None
    pose: TablePose
    photos: tuple[PhotoUsed, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """What makes the result weaker than it could be."""
        return (*(self.lens.warnings if self.lens else ()), *self.pose.warnings)


def camera(
    rig: RigArgument,
    lens: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Photos of the hand-held board, each tilted another way.", show_default=False),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(metavar="PHOTO", help="A photo of the sheet that lies on the table.", show_default=False),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Make a new camera.json; the old one is kept beside it.")
    ] = False,
    thickness_mm: Annotated[
        float,
        typer.Option("--thickness", metavar="MM", help="Of the sheet on the table: 0.1 for plain paper.", min=0.0),
    ] = PAPER_MM,
    json: JsonOption = False,
) -> None:
    """Calibrate the camera's lens and find where it is over the table; writes camera.json.

    Take about ten photos of the board, held by hand close to the camera and tilted about 30 degrees in different
    directions, so that together they reach into all corners of the picture. Then fix the camera over the table, lay
    the sheet where target.centre_mm in rig.toml says, and take one photo of it. Zoom, focus and picture size stay the
    same in all of them and in the scans.

    With --table alone the lens of the camera.json that is there is kept: for a camera that was only moved. Without both
    the photos come from the rig's own camera.
    """
    console = Console(json=json)
    folder = open_rig(rig)
    if lens is not None and table is None:
        raise UsageError(
            f"--lens is given without --table. Add one photo of the sheet on the table: rigwarp camera {rig} --lens "
            f"{lens} --table PHOTO"
        )
    _require_free(folder, replace=replace)
    if table is None:
        lens, table = _photograph(console, folder)
    made = calibrate_camera(console, folder, lens=lens, table=table, thickness_mm=thickness_mm, replace=replace)
    console.result(_result(made))


def calibrate_camera(
    console: Console,
    folder: RigFolder,
    *,
    lens: Path | None,
    table: Path,
    thickness_mm: float = PAPER_MM,
    replace: bool = False,
) -> CameraMade:
    """Calibrate from photos on disk, write camera.json and tell what came out; `lens` None keeps the earlier lens."""
    _require_free(folder, replace=replace)
    files = [] if lens is None else [path for path in list_photos(lens) if not _same_file(path, table)]
    views, sums = [], []
    with console.progress(len(files) + 1, "Looking for the board") as advance:
        for path in (*files, table):
            views.append(_look(folder, path))
            sums.append(hashlib.sha256(read_bytes(path)).hexdigest())
            advance()
    result = None if lens is None else calibrate_lens_from_views(views[:-1])
    pose = locate_table_from_view(
        views[-1],
        result or _earlier(folder),
        folder.rig.target,
        height_mm=folder.rig.table.height_mm + thickness_mm,
    )
    photos = _photos_used([*files, table], sums, views, result, pose)
    aside = _write(folder, result, pose, photos)
    made = CameraMade(path=folder.root / CAMERA_FILE, kept_aside=aside, lens=result, pose=pose, photos=photos)
    _tell(console, made)
    if folder.rig.target.scale == (1.0, 1.0):
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


def _photograph(console: Console, folder: RigFolder) -> tuple[Path, Path]:
    """Photos from the rig's own camera, kept in the rig folder: (folder of board photos, photo of the sheet)."""
    if folder.rig.camera.device != "virtual":
        raise DeviceError(
            f"{folder.root}: camera.device is {folder.rig.camera.device!r}, and real cameras cannot be driven yet. "
            f"Take the photos by hand: rigwarp camera {folder.root} --lens DIR --table PHOTO"
        )
    virtual = open_virtual(folder)
    root = folder.root / "photos" / datetime.now(UTC).strftime(_STAMP)
    (root / "lens").mkdir(parents=True)
    boards = virtual.board_photos()
    with console.progress(len(boards) + 1, "Photographing the board") as advance:
        for number, photo in enumerate(boards):
            write_picture(root / "lens" / f"{number:02d}.png", photo)
            advance()
        write_picture(root / "table.png", virtual.table_sheet_photo())
        advance()
    return root / "lens", root / "table.png"


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


def _same_file(one: Path, other: Path) -> bool:
    return other.exists() and one.samefile(other)


def _photos_used(
    files: Sequence[Path],
    sums: Sequence[str],
    views: Sequence[BoardView],
    result: LensResult | None,
    pose: TablePose,
) -> tuple[PhotoUsed, ...]:
    rms: dict[int, float] = {len(files) - 1: pose.rms_px}
    rejected: dict[int, str] = {}
    if result is not None:
        rms |= {index: float(value) for index, value in zip(result.used, result.view_rms_px, strict=True)}
        rejected |= dict(result.rejected)
    return tuple(
        PhotoUsed(
            file=path.name,
            sha256=digest,
            use=_TABLE_USE if index == len(files) - 1 else _LENS_USE,
            corners=view.n,
            rms_px=rms.get(index),
            rejected=rejected.get(index),
        )
        for index, (path, digest, view) in enumerate(zip(files, sums, views, strict=True))
    )


def _write(folder: RigFolder, result: LensResult | None, pose: TablePose, photos: Sequence[PhotoUsed]) -> Path | None:
    """Write camera.json; an older one is first copied to a name with the time, which is returned."""
    path, now = folder.root / CAMERA_FILE, datetime.now(UTC)
    aside = None
    if path.exists():
        aside = folder.root / f"camera-until-{now.strftime(_STAMP)}.json"
        write_bytes(aside, read_bytes(path))
    extra = {
        "made": now.isoformat(timespec="seconds"),
        "rigwarp": rigwarp.__version__,
        "rig_hash": folder.rig_hash,
        **_figures(result, pose),
        "photos": [_photo_record(photo) for photo in photos],
    }
    write_camera(path, pose.camera, extra=extra, replace=aside is not None)
    return aside


def _figures(result: LensResult | None, pose: TablePose) -> dict[str, Any]:
    """The summary that goes into camera.json and into the command's own result."""
    lens = None
    if result is not None:
        lens = {
            "terms": list(result.terms),
            "rms_px": result.rms_px,
            "photos_used": len(result.used),
            "photos_rejected": len(result.rejected),
            "coverage": result.coverage,
            "print": dict(zip(SHAPE_TERMS, result.shape, strict=True)),
            "print_sigma": dict(zip(SHAPE_TERMS, result.shape_sigmas, strict=True)),
        }
    table = {
        "corners": pose.view.n,
        "corners_kept": int(pose.kept.sum()),
        "rms_px": pose.rms_px,
        "noise_px": pose.noise_px,
        "position_mm": pose.camera.position_mm,
    }
    return {"lens_fit": lens, "table_fit": table, "warnings": [*(result.warnings if result else ()), *pose.warnings]}


def _photo_record(photo: PhotoUsed) -> dict[str, Any]:
    record = {"file": photo.file, "sha256": photo.sha256, "use": photo.use, "corners": photo.corners}
    return {**record, "rms_px": photo.rms_px, **({"rejected": photo.rejected} if photo.rejected else {})}


def _tell(console: Console, made: CameraMade) -> None:
    model, sigma = made.pose.camera, None
    console.say("The camera")
    rows: list[tuple[str, str]] = []
    if made.lens is not None:
        n, n_all = len(made.lens.used), len(made.lens.used) + len(made.lens.rejected)
        sigma = made.lens.sigmas
        rows += [
            ("photos of the board used", f"{n} of {n_all}"),
            ("they cover", f"{made.lens.coverage:.0%} of the picture"),
            ("focal length", f"{model.lens[0]:.2f} px, sigma {sigma[0]:.2f} px"),
            ("corners of the boards off by", f"{made.lens.rms_px:.3f} px rms"),
        ]
    x, y, z = model.position_mm
    rows += [
        ("corners of the sheet off by", f"{made.pose.rms_px:.3f} px rms ({int(made.pose.kept.sum())} corners)"),
        ("it stands at", f"x {x:.1f}, y {y:.1f}, z {z:.1f} mm over the table"),
        ("written", str(made.path)),
    ]
    if made.kept_aside is not None:
        rows.append(("the one before is kept as", str(made.kept_aside)))
    console.table(rows)
    for photo in made.photos:
        if photo.rejected:
            console.note(f"{photo.file} not used: {photo.rejected}")
    for warning in made.warnings:
        console.note(f"weak: {warning}")


def _result(made: CameraMade) -> dict[str, Any]:
    return {
        "camera": made.path,
        "kept_aside": made.kept_aside,
        **_figures(made.lens, made.pose),
        "photos": [_photo_record(photo) for photo in made.photos],
    }
