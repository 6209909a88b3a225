"""`rigwarp play`: content on the table, undistorted; or the projector frame of one picture as a file."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder, current_result, open_rig, read_colour, read_prewarp, write_picture
from rigwarp.live import CpuRenderer, Picture
from rigwarp.live.sources import StillSource
from rigwarp.prewarp import Prewarp, build_prewarp

_STILL_ENDINGS = (".png", ".tif")


class Drawing(StrEnum):
    """Who draws."""

    auto = "auto"
    gl = "gl"
    cpu = "cpu"


def play(
    rig: RigArgument,
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="A picture: PNG, JPEG or TIFF.", show_default=False)],
    still: Annotated[
        Path | None,
        typer.Option("--still", metavar="OUT.png", help="Write the projector frame to a file and open no window."),
    ] = None,
    design: Annotated[
        bool,
        typer.Option("--design", help="Use the design's warp: what one would get without measuring."),
    ] = False,
    display: Annotated[int, typer.Option("--display", help="Number of the display, 0 the first.")] = 0,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Stop after this time.")] = None,
    drawing: Annotated[
        Drawing, typer.Option("--draw", help="auto: the GPU if there is one; gl or cpu: insist on it.")
    ] = Drawing.auto,
    json: JsonOption = False,
) -> None:
    """Play content through the warp; Escape or q ends it.

    The picture is fitted to the rig's content canvas, its aspect kept. Black is left behind when the player ends.
    """
    console = Console(json=json)
    if still is not None and still.suffix.lower() not in _STILL_ENDINGS:
        raise UsageError(f"--still {still}: expected a name that ends in .png or .tif")
    folder = open_rig(rig)
    picture = read_colour(source)
    prewarp = _design_prewarp(folder) if design else _current_prewarp(folder)
    warp = "design" if design else "measured"
    if still is not None:
        _write_still(console, prewarp, picture, still, warp)
    else:
        _play(console, prewarp, picture, warp, display=display, seconds=seconds, drawing=drawing)


def _current_prewarp(folder: RigFolder) -> Prewarp:
    advice = f"Make it with: rigwarp fit {folder.root}"
    return read_prewarp(current_result(folder.root) / "prewarp.npz", make_with=advice)


def _design_prewarp(folder: RigFolder) -> Prewarp:
    from rigwarp.commands.design import design_map  # brings the ray tracer along, which a measured warp does not need

    return build_prewarp(design_map(folder), folder.rig.content, folder.rig.projector.transfer)


def _write_still(console: Console, prewarp: Prewarp, picture: Picture, still: Path, warp: str) -> None:
    write_picture(still, CpuRenderer(prewarp).render(picture))
    width, height = prewarp.projector_resolution
    console.say(f"{still}: {width} x {height} pixels, {warp} warp; show it pixel for pixel at the native size.")
    console.result({"still": still, "resolution": [width, height], "warp": warp})


def _play(
    console: Console,
    prewarp: Prewarp,
    picture: Picture,
    warp: str,
    *,
    display: int,
    seconds: float | None,
    drawing: Drawing,
) -> None:
    from rigwarp.live import player  # windows and OpenGL: not needed for --still
    from rigwarp.live.window import Window

    def opened(window: Window) -> None:
        if window.notice:
            console.note(window.notice)
        console.note(f"{warp} warp, drawn by {window.drawing}; Escape or q ends.")

    console.caution()
    played = player.play(
        prewarp, StillSource(picture), display=display, drawing=drawing.value, seconds=seconds, on_open=opened
    )
    if played.reason == "interrupted":
        raise KeyboardInterrupt
    console.result(
        {
            "frames": played.frames,
            "seconds": played.seconds,
            "drawing": played.drawing,
            "ended_by": played.reason,
            "warp": warp,
        }
    )
