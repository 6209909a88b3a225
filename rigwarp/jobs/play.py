"""Content on the table, undistorted; or the projector frame of one picture as a file."""

import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rigwarp.errors import DeviceError, RigwarpError, UsageError
from rigwarp.files import RigFolder, write_picture
from rigwarp.files.adjust_file import hand_correction
from rigwarp.files.names import HEARTBEAT_FILE
from rigwarp.jobs.page import CHECKS, COMMAND, KeyWatch, page_hello, require_page
from rigwarp.jobs.play_log import FrameWatch, drift_watch, focus_watch, logged, page_log
from rigwarp.jobs.play_options import PlayOptions
from rigwarp.jobs.progress import Progress
from rigwarp.live import CpuRenderer, Warp, warp_of
from rigwarp.live.measured_warp import measured_warp
from rigwarp.live.operate.check_pictures import aim_canvas
from rigwarp.live.operate.flashes import CHANGES_PER_SECOND
from rigwarp.live.render.picture import rgb_of
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.aim import AimSource
from rigwarp.live.sources.opening import open_source
from rigwarp.live.sources.source import SceneSource, Source, load_scene
from rigwarp.live.sources.stream import StreamSource
from rigwarp.prewarp import UNCHANGED

if TYPE_CHECKING:
    from rigwarp.live.operate.keeper import WarpKeeper
    from rigwarp.live.operate.page_link import PageLink
    from rigwarp.live.run.player import Played
    from rigwarp.live.run.session import Session
    from rigwarp.live.run.window import Window

_FIRST_FRAME_S = 10.0
"""Longer than cameras and streams need to start."""
Served = Callable[[Mapping[str, Any]], object]
"""Told where the page is, once it is there."""


@dataclass(frozen=True, kw_only=True)
class Show:
    """Content that has been opened, and the warp that it goes through.

    Attributes
    ----------
    revision : of the correction by hand that `warp` includes.
    counts : of what is shown and dropped, shared by the source and its player.
    """

    folder: RigFolder
    options: PlayOptions
    source: Source
    warp: Warp
    revision: int
    counts: Counts


@contextmanager
def opened_show(progress: Progress, folder: RigFolder, options: PlayOptions) -> Iterator[Show]:
    """Open the content and read the warp; the content is closed afterwards.

    Raises
    ------
    InputError, DeviceError
        When the content cannot be opened, or there is no usable result.
    """
    if options.dwell_s < 1.0 / CHANGES_PER_SECOND and not options.fast:
        raise UsageError(
            f"--dwell {options.dwell_s:g}: expected {1.0 / CHANGES_PER_SECOND:.2g} s or more: faster changes flash "
            "more than three times a second. Add --fast if nobody can be harmed."
        )
    counts = Counts()
    with closing(_open(folder, options, counts)) as source:
        canvas = aim_canvas(folder.rig) if options.aim else folder.rig.content
        adjustment, revision = UNCHANGED, 0  # one made for the measured map is no use on the design's
        if options.warp == "design":
            from rigwarp.jobs.design import design_prewarp  # brings the ray tracer, which a measured warp does not need

            prewarp = design_prewarp(folder, canvas)
        else:
            measured = measured_warp(folder)
            prewarp = measured.prewarp
            if measured.note:
                progress.note(measured.note)
            try:
                adjustment, revision = hand_correction(folder.root)
            except RigwarpError as error:  # the show goes on, as it does when the file breaks while playing
                progress.note(f"playing without the correction by hand: {error}")
        sampling = "fine" if options.samples == "auto" else options.samples
        warp = warp_of(prewarp, canvas, adjustment=adjustment, sampling=sampling)
        yield Show(folder=folder, options=options, source=source, warp=warp, revision=revision, counts=counts)


def _open(folder: RigFolder, options: PlayOptions, counts: Counts) -> Source:
    if options.scene is not None:
        return SceneSource(load_scene(options.scene), folder.rig.content)
    if options.aim:
        return AimSource(folder.rig)
    return _open_named(options.name or "", folder=folder, options=options, counts=counts)


def _open_named(name: str, *, folder: RigFolder, options: PlayOptions, counts: Counts) -> Source:
    content, shorter_px = folder.rig.content, min(folder.rig.projector.resolution)
    finer = max(shorter_px / min(content.pixels), 1.0)  # a coarse canvas takes no detail from a fine projector
    most_px = round(finer * content.pixels[0]), round(finer * content.pixels[1])
    return open_source(name, content, most_px=most_px, dwell_s=options.dwell_s, fade_s=options.fade_s, counts=counts)


def write_still(show: Show, still: Path) -> None:
    """Write the projector frame of a show's first picture to a file, to be shown pixel for pixel.

    Raises
    ------
    DeviceError
        When a camera or stream gives no picture.
    """
    source, options = show.source, show.options
    if isinstance(source, StreamSource) and not source.ready(_FIRST_FRAME_S):
        raise DeviceError(f"no picture came from {options.name} within {_FIRST_FRAME_S:g} s. Check that it runs.")
    picture = rgb_of(source.at(0.0))
    write_picture(still, CpuRenderer(show.warp, dither=options.dither).render(picture))


def play_show(progress: Progress, show: Show, *, served: Served | None = None) -> "Played":
    """Play until somebody ends it; black is left behind.

    Raises
    ------
    DeviceError
        When there is no window to be had, or more memory is in use than allowed.
    KeyboardInterrupt
        When it was ended by Ctrl-C.
    """
    from rigwarp.devices.video_output import screens_in_memory
    from rigwarp.live.run import player  # windows and OpenGL: not needed for a still
    from rigwarp.live.run.unattended import Heartbeat
    from rigwarp.talk.metrics import notify_service

    options = show.options
    session, keeper, page = _session_of(show)
    heart = Heartbeat(
        session.pacing,
        path=options.heartbeat or (show.folder.root / HEARTBEAT_FILE if options.page is not None else None),
        memory_limit_mib=options.memory_limit_mib,
        about=session.about,
        metrics=options.metrics,
    )
    with logged(progress, options.log_file) as note:
        watch = FrameWatch(note, heart, statistics=options.statistics, leave_with_screen=options.wait_for_screen)

        def begin(window: "Window") -> None:
            """What is done once the window is open."""
            if window.notice:
                note(window.notice)
            if options.samples == "auto" and not window.on_gpu:
                session.warp = show.warp.sampled("quick")
                window.use(session.warp)
                keeper.draw_with(session.warp)
            keeper.prepare = window.prepare
            watch.window = window
            keeper.start(show.revision)
            if page is not None:
                page.start(session)
                session.page_address = page.address["plain"]
                if served is not None:
                    served(page.address)
                if options.page is not None and options.page.code:
                    session.show_code()
            note(f"{options.warp} warp, drawn by {window.drawing}; Escape or q ends, h shows the keys.")
            notify_service("READY=1")

        if options.wait_for_screen:
            _wait_for_screen(note, show)
        with (
            heart,
            page_log(page),
            drift_watch(show.folder, session, options.watch_hours, page),
            focus_watch(progress, show.folder, show.source, page),
        ):
            played = player.play(
                show.warp,
                session,
                display=options.display,
                drawing=options.drawing,
                dither=options.dither,
                in_memory=screens_in_memory(),
                seconds=options.seconds,
                on_open=begin,
                on_frame=watch.frame,
            )
        logging.getLogger("rigwarp.live").info("ended by %s: %s", played.reason, played.statistics)
    if played.reason == "interrupted":
        unfinished = "" if page is None else " Anything the page was still measuring is not used."
        raise KeyboardInterrupt(f"the show has ended.{unfinished}")
    if played.reason == "screen":
        raise DeviceError("the projector's screen has gone. Plug it in again; the unit starts again and waits for it.")
    if played.reason == "memory":
        raise DeviceError(f"more than {options.memory_limit_mib:g} MiB of memory in use. Start again, or allow more.")
    return played


def _session_of(show: Show) -> tuple["Session", "WarpKeeper", "PageLink | None"]:
    """What the player runs, what keeps its warp up to date, and the page beside the table."""
    from rigwarp.live.operate.keeper import WarpKeeper
    from rigwarp.live.operate.remote import Remote
    from rigwarp.live.run.session import Session

    options, counts = show.options, show.counts
    page, remote = _page_of(show), None
    if options.remote_port is not None:
        remote = Remote(options.remote_port, host=options.remote_host, counts=counts)
    keeper = WarpKeeper(show.warp, root=None if options.warp == "design" else show.folder.root, counts=counts)
    open_named = partial(_open_named, folder=show.folder, options=options, counts=counts)
    session = Session(
        show.warp,
        show.source,
        keeper=keeper,
        remote=remote,
        page=page,
        open_named=open_named,
        counts=counts,
        name=options.name or options.scene or "",
        fast=options.fast,
    )
    return session, keeper, page


def _page_of(show: Show) -> "PageLink | None":
    from rigwarp.live.operate.page_link import PageLink

    options = show.options
    if options.page is None:
        return None
    require_page()
    sources = tuple(dict.fromkeys([*filter(None, [options.name]), *options.offered, *CHECKS]))
    hello = page_hello(show.folder, options.page, sources=sources, display=options.display)
    every_s = 0.0 if options.fast else 1.0 / CHANGES_PER_SECOND
    return PageLink(COMMAND, hello, sources=sources, new_keys=KeyWatch(show.folder.root), every_s=every_s)


def _wait_for_screen(note: Callable[[str], None], show: Show) -> None:
    """Return once there is a screen that the projector can be; systemd is told READY only after that."""
    from rigwarp.live.run.window import wait_for_projector
    from rigwarp.talk.metrics import notify_service

    def waiting(reason: str) -> None:
        note(f"waiting for the screen: {reason}")
        notify_service("STATUS=waiting for the projector's screen")

    wait_for_projector(show.warp.prewarp.projector_resolution, show.options.display, on_wait=waiting)
