"""`rigwarp play`: content on the table, undistorted; or the projector frame of one picture as a file."""

import logging
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rigwarp.commands.console import Console
from rigwarp.commands.options import JsonOption, RigArgument
from rigwarp.errors import DeviceError, RigwarpError, UsageError
from rigwarp.files import RigFolder, current_result, open_rig, read_adjustment, read_prewarp, write_picture
from rigwarp.files.names import ADJUST_FILE, PREWARP_FILE
from rigwarp.live import CpuRenderer, Warp, warp_of
from rigwarp.live.render.picture import rgb_of
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.opening import open_source
from rigwarp.live.sources.source import DWELL_S, FADE_S, Source
from rigwarp.live.sources.stream import StreamSource
from rigwarp.prewarp import UNCHANGED, Adjustment, Prewarp

if TYPE_CHECKING:
    from rigwarp.live.run.session import Session

_STILL_ENDINGS = (".png", ".tif")
_STATS_S = 1.0
_FIRST_FRAME_S = 10.0
"""Longer than cameras and streams need to start."""


class Drawing(StrEnum):
    """Who draws."""

    auto = "auto"
    gl = "gl"
    cpu = "cpu"


class SampleCount(StrEnum):
    """How finely content is sampled."""

    auto = "auto"
    fine = "fine"
    quick = "quick"


@dataclass(frozen=True, kw_only=True)
class _PlayOptions:
    """What was asked for, besides the rig."""

    name: str | None
    scene: str | None
    dwell_s: float
    fade_s: float
    design: bool
    display: int
    seconds: float | None
    drawing: Drawing
    samples: SampleCount
    dither: bool
    statistics: bool
    remote_port: int | None
    remote_host: str
    log_file: Path | None
    heartbeat: Path | None
    memory_limit_mib: float | None
    watch_hours: float | None = None


def play(
    rig: RigArgument,
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="[SOURCE]",
            help="A picture, a folder of pictures, a video, camera:0, a stream's address, or a check picture: "
            "check:grid, check:wedges, check:greys, check:white.",
            show_default=False,
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
        bool,
        typer.Option("--design", help="Use the design's warp: what one would get without measuring."),
    ] = False,
    display: Annotated[int, typer.Option("--display", help="Number of the display, 0 the first.")] = 0,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Stop after this time.")] = None,
    drawing: Annotated[
        Drawing, typer.Option("--draw", help="auto: the GPU if there is one; gl or cpu: insist on it.")
    ] = Drawing.auto,
    samples: Annotated[
        SampleCount,
        typer.Option("--samples", help="fine: averages all detail; quick: less work; auto: quick without a GPU."),
    ] = SampleCount.auto,
    dither: Annotated[bool, typer.Option("--dither", help="Dither between code values: smoother ramps.")] = False,
    statistics: Annotated[bool, typer.Option("--stats", help="Frame counts on stderr, once a second.")] = False,
    remote: Annotated[
        int | None, typer.Option("--remote", metavar="PORT", help="Listen for OSC commands on this UDP port.")
    ] = None,
    remote_host: Annotated[
        str, typer.Option("--remote-host", help="Where to listen; 0.0.0.0 lets other machines in.")
    ] = "127.0.0.1",
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
    if bool(source) == bool(scene):
        raise UsageError("found a SOURCE and --scene, expected one of them" if source else "a SOURCE is missing")
    folder = open_rig(rig)
    options = _PlayOptions(
        name=source,
        scene=scene,
        dwell_s=dwell,
        fade_s=fade,
        design=design,
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
    )
    if design and watch is not None:
        raise UsageError("found --design and --watch: only a measured warp can be watched for drift")
    if write_service is not None:
        _write_service(console, folder, options, write_service)
        return
    counts = Counts()
    with closing(_open(folder, options, counts)) as opened:
        prewarp = _designed(folder) if design else _current_prewarp(folder)
        adjustment, revision = _adjustment(console, folder, options)
        warp = warp_of(
            prewarp,
            folder.rig.content,
            adjustment=adjustment,
            sampling="quick" if samples is SampleCount.quick else "fine",
        )
        if still is not None:
            _write_still(console, warp, opened, still, options)
        else:
            _play(console, folder, warp, opened, options, counts, revision)


def _open(folder: RigFolder, options: _PlayOptions, counts: Counts) -> Source:
    if options.scene is not None:
        from rigwarp.live.sources.scene import SceneSource, load_scene

        return SceneSource(load_scene(options.scene), folder.rig.content)
    return open_source(
        options.name or "", folder.rig.content, dwell_s=options.dwell_s, fade_s=options.fade_s, counts=counts
    )


def _current_prewarp(folder: RigFolder) -> Prewarp:
    advice = f"Make it with: rigwarp fit {folder.root}"
    return read_prewarp(current_result(folder.root) / PREWARP_FILE, make_with=advice)


def _designed(folder: RigFolder) -> Prewarp:
    from rigwarp.commands.design import design_prewarp  # brings the ray tracer, which a measured warp does not need

    return design_prewarp(folder)


def _adjustment(console: Console, folder: RigFolder, options: _PlayOptions) -> tuple[Adjustment, int]:
    """The correction to begin with; one made for the measured map is no use on the design's."""
    path = folder.root / ADJUST_FILE
    if options.design or not path.exists():
        return UNCHANGED, 0
    try:
        return read_adjustment(path)
    except RigwarpError as error:  # the show goes on, as it does when the file breaks while playing
        console.note(f"playing without the correction by hand: {error}")
        return UNCHANGED, 0


def _word(options: _PlayOptions) -> str:
    return "design" if options.design else "measured"


def _write_still(console: Console, warp: Warp, source: Source, still: Path, options: _PlayOptions) -> None:
    if isinstance(source, StreamSource) and not source.ready(_FIRST_FRAME_S):
        raise DeviceError(f"no picture came from {options.name} within {_FIRST_FRAME_S:g} s. Check that it runs.")
    picture = rgb_of(source.at(0.0))
    write_picture(still, CpuRenderer(warp, dither=options.dither).render(picture))
    width, height = warp.prewarp.projector_resolution
    console.say(
        f"{still}: {width} x {height} pixels, {_word(options)} warp; show it pixel for pixel at the native size."
    )
    console.result({"still": still, "resolution": [width, height], "warp": _word(options)})


def _write_service(console: Console, folder: RigFolder, options: _PlayOptions, path: Path) -> None:
    from rigwarp.live.run.unattended import write_service

    root = folder.root.resolve()
    name = options.name or ""
    named = str(Path(name).resolve()) if Path(name).exists() else name
    arguments = [str(root), *([named] if options.name else ["--scene", options.scene or ""])]
    given: dict[str, Any] = {
        "--dwell": options.dwell_s,
        "--fade": options.fade_s,
        "--display": options.display,
        "--draw": options.drawing.value,
        "--samples": options.samples.value,
        "--remote": options.remote_port,
        "--remote-host": options.remote_host if options.remote_port is not None else None,
        "--watch": options.watch_hours,
        "--log": options.log_file.resolve() if options.log_file else root / "play.log",
        "--heartbeat": options.heartbeat.resolve() if options.heartbeat else root / "heartbeat.json",
    }
    for option, value in given.items():
        arguments += [option, str(value)] if value is not None else []
    arguments += [word for word, on in (("--design", options.design), ("--dither", options.dither)) if on]
    write_service(path, arguments, memory_limit_mib=options.memory_limit_mib)
    console.say(f"{path}: move it to ~/.config/systemd/user/, then: systemctl --user enable --now {path.name}")
    console.say("loginctl enable-linger makes it start at power-on, before anybody logs in.")
    console.result({"service": path})


def _play(
    console: Console,
    folder: RigFolder,
    warp: Warp,
    source: Source,
    options: _PlayOptions,
    counts: Counts,
    revision: int,
) -> None:
    from rigwarp.live.operate.keeper import WarpKeeper
    from rigwarp.live.operate.remote import Remote
    from rigwarp.live.run import (
        player,
        unattended,  # windows and OpenGL: not needed for --still
    )
    from rigwarp.live.run.session import Session
    from rigwarp.live.run.window import Window

    remote = None
    if options.remote_port is not None:
        remote = Remote(options.remote_port, host=options.remote_host, counts=counts)
    handlers: list[logging.Handler] = [_Notes(console)]
    if options.log_file is not None:
        handlers.append(unattended.start_log(options.log_file))
    logging.getLogger("rigwarp").addHandler(handlers[0])
    root = None if options.design else folder.root
    keeper = WarpKeeper(warp, root=root, counts=counts)
    session = Session(
        warp,
        source,
        keeper=keeper,
        remote=remote,
        open_named=lambda name: open_source(
            name, folder.rig.content, dwell_s=options.dwell_s, fade_s=options.fade_s, counts=counts
        ),
        counts=counts,
    )
    heart = unattended.Heartbeat(session.pacing, path=options.heartbeat, memory_limit_mib=options.memory_limit_mib)
    keeper.chore = heart.beat
    watch = _Watch(console, heart, statistics=options.statistics)

    def opened(window: Window) -> None:
        if window.notice:
            console.note(window.notice)
        if options.samples is SampleCount.auto and not window.on_gpu:
            session.warp = warp.sampled("quick")
            window.use(session.warp)
            keeper.draw_with(session.warp)
        keeper.prepare = window.prepare
        keeper.start(revision)
        console.note(f"{_word(options)} warp, drawn by {window.drawing}; Escape or q ends, h shows the keys.")
        unattended.notify_service("READY=1")

    console.caution()
    try:
        with _drift_watch(folder, session, options.watch_hours):
            played = player.play(
                warp,
                session,
                display=options.display,
                drawing=options.drawing.value,
                dither=options.dither,
                seconds=options.seconds,
                on_open=opened,
                on_frame=watch.frame,
            )
        logging.getLogger("rigwarp.live").info("ended by %s: %s", played.reason, played.statistics)
    finally:
        for handler in handlers:
            logging.getLogger("rigwarp").removeHandler(handler)
            handler.close()
    if played.reason == "interrupted":
        raise KeyboardInterrupt
    if played.reason == "memory":
        raise DeviceError(f"more than {options.memory_limit_mib:g} MiB of memory in use. Start again, or allow more.")
    console.result(
        {
            "frames": played.frames,
            "seconds": played.seconds,
            "drawing": played.drawing,
            "ended_by": played.reason,
            "warp": _word(options),
            "statistics": played.statistics,
        }
    )


def _drift_watch(folder: RigFolder, session: "Session", hours: float | None) -> AbstractContextManager[object]:
    if hours is None:
        return nullcontext()
    from rigwarp.commands.watch import DriftWatch  # brings the measuring rooms, which a plain show does not need

    return DriftWatch(folder, session.interludes, hours=hours)


class _Watch:
    """Looks at the session after every frame: prints counts, and stops when too much memory is in use."""

    def __init__(self, console: Console, heart: Any, *, statistics: bool) -> None:
        self._console, self._heart, self._statistics = console, heart, statistics
        self._next_s = 0.0

    def frame(self, session: "Session") -> Any:
        """Called after every flip; a reason ends the run."""
        now = session.run_s
        if self._statistics and now >= self._next_s:
            self._next_s = now + _STATS_S
            self._console.note("  ".join(f"{key} {value}" for key, value in session.pacing.as_dict().items()))
        return "memory" if self._heart.too_large else None


class _Notes(logging.Handler):
    """Warnings of the player, for whoever watches the terminal."""

    def __init__(self, console: Console) -> None:
        super().__init__(logging.WARNING)
        self._console = console

    def emit(self, record: logging.LogRecord) -> None:
        """One line."""
        self._console.note(record.getMessage())
