"""What `play` is asked for, and a unit of the service manager that asks for the same."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigwarp.defaults import DWELL_S, FADE_S, LOCAL, Drawing, SampleCount
from rigwarp.files import RigFolder
from rigwarp.files.names import HEARTBEAT_FILE
from rigwarp.jobs.page import PageOptions


@dataclass(frozen=True, kw_only=True)
class PlayOptions:
    """What is to be played, and how.

    Attributes
    ----------
    name, scene : one of them: a source as `open_source` takes it, or MODULE:FUNCTION that draws every frame.
    dwell_s, fade_s : of a folder of pictures.
    design : play by the design's warp, not the measured one.
    aim : instead of content, the outlines that projector and mirror are moved to by hand, by the design, and how sharp
        a camera sees them.
    display : number of the display, 0 the first; None: the projector by its size.
    wait_for_screen : wait until it is there instead of failing, and end when it has gone.
    seconds : end after so many; None: when somebody ends it.
    drawing, samples, dither : who draws, how finely, and whether between code values.
    statistics : note frame counts once a second.
    remote_port, remote_host : listen for OSC commands there.
    log_file, heartbeat : written while playing.
    memory_limit_mib : end when more memory is in use.
    watch_hours : look for drift so often.
    page : serve the page beside the table there; None: no page.
    offered : further sources that may be chosen at the page.
    metrics : a file for a monitoring system's collector, rewritten every few seconds.
    fast : let commands and a short dwell change the picture more than six times a second.
    """

    name: str | None = None
    scene: str | None = None
    dwell_s: float = DWELL_S
    fade_s: float = FADE_S
    design: bool = False
    aim: bool = False
    display: int | None = None
    wait_for_screen: bool = False
    seconds: float | None = None
    drawing: Drawing = "auto"
    samples: SampleCount = "auto"
    dither: bool = False
    statistics: bool = False
    remote_port: int | None = None
    remote_host: str = LOCAL
    log_file: Path | None = None
    heartbeat: Path | None = None
    memory_limit_mib: float | None = None
    watch_hours: float | None = None
    page: PageOptions | None = None
    offered: tuple[str, ...] = ()
    metrics: Path | None = None
    fast: bool = False

    @property
    def warp(self) -> str:
        """Which warp it plays by, in a word."""
        return "design" if self.design or self.aim else "measured"


def write_play_service(folder: RigFolder, options: PlayOptions, path: Path) -> None:
    """Write a systemd user unit that plays with these options."""
    from rigwarp.live.run.unattended import write_service

    root = folder.root.resolve()
    name = options.name or ""
    named = str(Path(name).resolve()) if Path(name).exists() else name
    played = [named] if options.name else ["--scene", options.scene] if options.scene else ["--aim"]
    arguments = [str(root), *played]
    given: dict[str, Any] = {
        "--dwell": options.dwell_s,
        "--fade": options.fade_s,
        "--display": options.display,
        "--draw": options.drawing,
        "--samples": options.samples,
        "--remote": options.remote_port,
        "--remote-host": options.remote_host if options.remote_port is not None else None,
        "--watch": options.watch_hours,
        "--page": options.page.port if options.page else None,
        "--page-host": options.page.host if options.page else None,
        "--lang": options.page.language or None if options.page else None,
        "--call": options.page.call or None if options.page else None,
        "--metrics": options.metrics.resolve() if options.metrics else None,
        "--log": options.log_file.resolve() if options.log_file else root / "play.log",
        "--heartbeat": options.heartbeat.resolve() if options.heartbeat else root / HEARTBEAT_FILE,
    }
    for option, value in given.items():
        arguments += [option, str(value)] if value is not None else []
    for name in options.page.names if options.page else ():
        arguments += ["--page-name", name]
    for name in options.offered:
        arguments += ["--offer", str(Path(name).resolve()) if Path(name).exists() else name]
    switches = {
        "--design": options.design,
        "--dither": options.dither,
        "--page-code": options.page is not None and options.page.code,
        "--fast": options.fast,
        "--wait-for-screen": True,
    }
    arguments += [word for word, on in switches.items() if on]
    write_service(path, arguments, memory_limit_mib=options.memory_limit_mib)
