"""`rigwarp camera`: the lens from photos of the hand-held board, the pose from one of the sheet on the table."""

from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.camera_text import print_camera
from rigwarp.commands.console import Console, print_next
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.commands.terminal import AtTerminal
from rigwarp.errors import UsageError
from rigwarp.files import open_rig
from rigwarp.files.camera_file import camera_of
from rigwarp.jobs.bench.camera import calibrate_camera, require_free
from rigwarp.jobs.bench.camera_live import take_photos
from rigwarp.jobs.bench.camera_record import figures


def camera(
    rig: RigArgument,
    lens: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Photos of the hand-held board, each tilted another way.")
    ] = None,
    table: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="PHOTO",
            help="A photo of the sheet that lies on the table. Given again: of the sheet elsewhere on it.",
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
    require_free(folder, replace=replace)
    if not table:
        taken = take_photos(
            console,
            folder,
            person=AtTerminal(console),
            preview=preview,
            earlier=camera_of(folder) if keep_lens else None,
        )
        lens, table = taken.lens, [taken.table]
    made = calibrate_camera(
        console, folder, lens=lens, table=table[0], further=table[1:], thickness_mm=thickness_mm, replace=replace
    )
    print_camera(console, made)
    photos = [photo.record() for photo in made.photos]
    console.result({"camera": made.path, "kept_aside": made.kept_aside, **figures(made), "photos": photos})
    print_next(console, folder)
