"""`rigwarp play`: content on the table, undistorted; or the projector frame of one picture as a file."""

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from rigwarp.commands.console import Console, print_step
from rigwarp.commands.options import CallOption, JsonOption, LanguageOption, PageHostOption, PageNameOption, RigArgument
from rigwarp.commands.page_text import page_options, print_address
from rigwarp.defaults import DWELL_S, FADE_S, LOCAL, PORT, Drawing, SampleCount
from rigwarp.errors import UsageError
from rigwarp.files import open_rig
from rigwarp.files.records import HeartbeatRecord
from rigwarp.jobs.next_step import next_step
from rigwarp.jobs.play import Show, opened_show, play_show, write_still
from rigwarp.jobs.play_options import PlayOptions, write_play_service
from rigwarp.jobs.play_status import player_status, require_alive

_STILL_ENDINGS = (".png", ".tif")


def play(
    rig: RigArgument,
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="[SOURCE]",
            help="A picture, a folder of pictures, a video, camera:0, a stream's address, or a check picture: "
            "check:grid, check:wedges, check:greys, check:white.",
        ),
    ] = None,
    scene: Annotated[
        str | None,
        typer.Option("--scene", metavar="MODULE:FUNCTION", help="Instead of SOURCE: draw every frame in Python."),
    ] = None,
    dwell: Annotated[float, typer.Option("--dwell", help="Folder: seconds from picture to picture.")] = DWELL_S,
    fade: Annotated[float, typer.Option("--fade", help="Folder: seconds of cross-fade at the end of them.")] = FADE_S,
    still: Annotated[
        Path | None,
        typer.Option("--still", metavar="OUT.png", help="Write the projector frame to a file and open no window."),
    ] = None,
    design: Annotated[
        bool, typer.Option("--design", help="Use the design's warp: what one would get without measuring.")
    ] = False,
    aim: Annotated[
        bool,
        typer.Option(
            "--aim",
            help="Instead of SOURCE, before anything is measured: table edge, content outline and middle by the "
            "design, for moving projector and mirror by hand, and fans to focus by; where a camera sees them, how "
            "sharp they are, on the table and here.",
        ),
    ] = False,
    display: Annotated[
        int | None,
        typer.Option(
            "--display", help="Number of the display, 0 the first; by default the one of the projector's size."
        ),
    ] = None,
    wait_for_screen: Annotated[
        bool, typer.Option("--wait-for-screen", help="Wait until that display is there; end with 4 when it has gone.")
    ] = False,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Stop after this time.")] = None,
    drawing: Annotated[
        Drawing, typer.Option("--draw", help="auto: the GPU if there is one; gl or cpu: insist on it.")
    ] = "auto",
    samples: Annotated[
        SampleCount,
        typer.Option("--samples", help="fine: averages all detail; quick: less work; auto: quick without a GPU."),
    ] = "auto",
    dither: Annotated[bool, typer.Option("--dither", help="Dither between code values: smoother ramps.")] = False,
    statistics: Annotated[bool, typer.Option("--stats", help="Frame counts on stderr, once a second.")] = False,
    remote: Annotated[
        int | None, typer.Option("--remote", metavar="PORT", help="Listen for OSC commands on this UDP port.")
    ] = None,
    remote_host: Annotated[
        str, typer.Option("--remote-host", help="Where to listen; 0.0.0.0 lets other machines in.")
    ] = LOCAL,
    log_file: Annotated[Path | None, typer.Option("--log", metavar="FILE", help="A log that does not grow.")] = None,
    heartbeat: Annotated[
        Path | None, typer.Option("--heartbeat", metavar="FILE", help="A file rewritten every 5 s while all is well.")
    ] = None,
    memory_limit: Annotated[
        float | None, typer.Option("--memory-limit", metavar="MIB", help="Stop when more memory is in use.")
    ] = None,
    watch: Annotated[
        float | None,
        typer.Option(
            "--watch",
            metavar="HOURS",
            min=0.001,
            help="So often look, at a quiet moment, whether anything has moved, and take a correction over.",
        ),
    ] = None,
    page: Annotated[
        int | None,
        typer.Option(
            "--page",
            metavar="[PORT]",
            min=0,
            max=65535,
            help=f"Serve a page for a tablet beside the table, on this port or {PORT}; needs the extra page.",
        ),
    ] = None,
    page_host: PageHostOption = LOCAL,
    page_name: PageNameOption = None,
    page_code: Annotated[
        bool, typer.Option("--page-code", help="Show the page's code on the table for the first minute.")
    ] = False,
    language: LanguageOption = "",
    call: CallOption = "",
    offer: Annotated[
        list[str] | None,
        typer.Option("--offer", metavar="SOURCE", help="A further source that may be chosen at the page; repeatable."),
    ] = None,
    metrics: Annotated[
        Path | None,
        typer.Option("--metrics", metavar="FILE.prom", help="Figures for a monitoring collector, every 5 s."),
    ] = None,
    fast: Annotated[
        bool,
        typer.Option("--fast", help="Let commands and --dwell flash more than three times a second: ask visitors."),
    ] = False,
    status: Annotated[
        bool,
        typer.Option("--status", help="How the player that runs is doing, by its heartbeat; no window, no SOURCE."),
    ] = False,
    write_service: Annotated[
        Path | None,
        typer.Option(
            "--write-service", metavar="FILE", help="Write a systemd user unit with these options; no window."
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Play content through the warp; Escape or q ends it, h shows the keys that correct it.

    Content is fitted to the rig's canvas, its aspect kept. A correction is kept in adjust.json in the rig folder; it
    and a newer result are taken over while playing. Black is left behind when the player ends.
    """
    console = Console(json=json)
    if still is not None and still.suffix.lower() not in _STILL_ENDINGS:
        raise UsageError(f"--still {still}: expected a name that ends in .png or .tif")
    if status:
        _print_status(console, player_status(open_rig(rig), heartbeat))
        return
    given = [name for name, there in (("SOURCE", source), ("--scene", scene), ("--aim", aim)) if there]
    if len(given) != 1:
        missing = "a SOURCE is missing: a picture, a folder of pictures, a video, camera:0 or check:grid"
        raise UsageError(f"found {' and '.join(given)}, expected one of them" if given else missing)
    folder = open_rig(rig)
    options = PlayOptions(
        name=source,
        scene=scene,
        dwell_s=dwell,
        fade_s=fade,
        design=design,
        aim=aim,
        display=display,
        seconds=seconds,
        drawing=drawing,
        samples=samples,
        dither=dither,
        statistics=statistics,
        remote_port=remote,
        remote_host=remote_host,
        log_file=log_file,
        heartbeat=heartbeat,
        memory_limit_mib=memory_limit,
        watch_hours=watch,
        page=None if page is None else page_options(page, page_host, page_name, language, call=call, code=page_code),
        offered=tuple(offer or ()),
        metrics=metrics,
        fast=fast,
        wait_for_screen=wait_for_screen,
    )
    if page is None and (page_code or page_name or offer or language or call or page_host != LOCAL):
        raise UsageError("found an option of the page, and no --page: add --page")
    if (design or aim) and watch is not None:
        raise UsageError("found --design or --aim, and --watch: only a measured warp can be watched for drift")
    if write_service is not None:
        write_play_service(folder, options, write_service)
        _print_service(console, write_service)
        return
    with opened_show(console, folder, options) as show:
        if still is not None:
            write_still(show, still)
            _print_still(console, still, show)
        else:
            console.caution()
            played = play_show(console, show, served=lambda address: print_address(console, address, page_host))
            told = {name: value for name, value in asdict(played).items() if name not in ("reason", "notice")}
            console.result({**told, "ended_by": played.reason, "warp": options.warp})
            if design or aim:
                step = next_step(folder)
                print_step(console, step.standing, step.command)
            else:
                looks = f"rigwarp verify {folder.root} --quick"
                print_step(console, "Has anything moved? Five photographs tell.", looks)


def _print_service(console: Console, path: Path) -> None:
    console.say(f"{path}: move it to ~/.config/systemd/user/, then: systemctl --user enable --now {path.name}")
    console.say("It starts with the desktop session: let the computer log in by itself when it is switched on.")
    console.result({"service": path})


def _print_status(console: Console, status: HeartbeatRecord) -> None:
    when = datetime.fromtimestamp(status.unix_s or 0.0, UTC)
    console.say(f"Last sign of life {when:%Y-%m-%d %H:%M:%S} UTC, playing {status.source or 'something unnamed'}")
    counted = {
        "frames shown": status.shown,
        "of them late": status.late,
        "a second": status.flips_per_second,
        "MiB of memory": status.memory_mib,
    }
    console.say(
        ", ".join(
            f"{number:g} {what}" for what, number in counted.items() if number is not None and np.isfinite(number)
        )
    )
    if status.watch:
        console.say(f"Drift watch, {status.watch}")
    if status.watch_warned and status.watch_warned != status.watch:
        console.say(f"Before, {status.watch_warned}")
    console.result(status.to_dict())
    require_alive(status)


def _print_still(console: Console, still: Path, show: Show) -> None:
    (width, height), warp = show.warp.prewarp.projector_resolution, show.options.warp
    console.say(f"{still}: {width} x {height} pixels, {warp} warp; show it pixel for pixel at the native size.")
    console.result({"still": still, "resolution": [width, height], "warp": warp})
