"""Shows in a window of SDL's offscreen driver, looked at from inside; each in a process of its own (`forked`)."""

import bent_rig
import coded_video
import numpy as np
import pygame

from rigwarp.errors import DisplayTakenBack
from rigwarp.live import CpuRenderer
from rigwarp.live.operate.interlude import Quiet
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run import player, window
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts
from rigwarp.live.run.unattended import resident_mib
from rigwarp.live.sources.source import StillSource
from rigwarp.live.sources.video import VideoSource


def still_show(say, *, press=None, huge=False, **options):
    """A picture, compared with the CPU's frame while it plays; a key is pressed, or the picture grows too large."""
    prewarp, picture = bent_rig.curved_prewarp(), bent_rig.noisy(400, 300)
    frame, seen = CpuRenderer(prewarp).render(picture), {}

    def difference(shown):
        return int(np.abs(shown.grab().astype(int) - frame).max())

    class Source(StillSource):
        def at(self, time_s):
            if seen["window"]._open and time_s > 0.05 and "difference" not in seen:
                seen["difference"] = difference(seen["window"])
                if huge:
                    seen["huge"] = np.zeros((8, 9000, 3), np.uint8)
                if press:
                    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=getattr(pygame, press)))
            return seen["huge"] if "huge" in seen else super().at(time_s)

    blank = window.Window.blank

    def blank_and_look(self):
        seen["last"] = difference(self)
        blank(self)
        seen["left"] = int(self.grab().max())

    def opened(shown):
        seen["window"] = shown
        say("open")

    window.Window.blank = blank_and_look
    played = player.play(prewarp, Source(picture), on_open=opened, **options)
    found = {"frames": played.frames, "reason": played.reason, "drawing": played.drawing, "notice": played.notice}
    found |= {"left": seen["left"], "difference": seen.get("difference"), "last": seen.get("last")}
    say(found | {"refused": played.statistics["refused"]})


def looped_video(say, path, frames, total, size):
    """A film of coded frames for so many, the clock being their count: which were seen, and the memory in use."""
    counts = Counts()
    source = VideoSource(path, counts=counts)
    windows, seen, memory = [], [], []

    def clock():
        return (len(seen) + 0.5) / coded_video.RATE_HZ

    def look(_session):
        if len(seen) % coded_video.RATE_HZ == 0:
            memory.append(resident_mib())
        seen.append(coded_video.number_in(windows[0].grab()))
        assert source.ready(20.0)

    assert source.ready(20.0)
    warp, start = warp_of(bent_rig.plain_prewarp(size=size)), clock()
    played = player.play(
        warp,
        Session(warp, source, counts=counts),
        drawing="cpu",
        frames=total,
        clock=lambda: clock() - start,
        pause=lambda s: None,
        on_open=windows.append,
        on_frame=look,
    )
    wrong = [(n, s) for n, s in enumerate(seen) if s != n % frames]
    say({"shown": played.frames, "wrong": wrong[:5], "dropped": counts.dropped, "memory": memory})


def interlude_show(say, drawing, how):
    """A measurement between two frames of content: what each flip put on the screen, in words."""
    warp, picture = warp_of(bent_rig.curved_prewarp()), bent_rig.noisy(400, 300)
    content = CpuRenderer(warp).render(picture)
    rng = np.random.default_rng(5)
    grey = rng.integers(0, 256, content.shape[:2], dtype=np.uint8)
    colour = rng.integers(0, 256, content.shape, dtype=np.uint8)
    names = {"content": content, "grey": np.repeat(grey[..., None], 3, 2), "colour": colour, "black": 0 * content}
    windows, seen, ended = [], [], []
    flip = pygame.display.flip

    def look_and_flip():
        held = windows[0].grab().astype(int)
        apart = {name: int(np.abs(held - frame).max()) for name, frame in names.items()}
        name = min(apart, key=apart.get)
        seen.append(name if apart[name] <= (1 if name == "content" else 0) else "other")
        flip()

    def measure(display):
        assert display.resolution == (content.shape[1], content.shape[0])
        display.show(grey)
        display.show(colour)
        if how == "key":
            pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_q))
        try:
            display.show(grey)
        except DisplayTakenBack:
            ended.append(True)
            raise

    pygame.display.flip = look_and_flip
    session = Session(warp, StillSource(picture))
    session.interludes.ask(measure, quiet=Quiet(untouched_s=0.05))
    played = player.play(
        warp,
        session,
        drawing=drawing,
        on_open=windows.append,
        seconds=3.0,
        on_frame=lambda s: "frames" if s.counts.shown >= 12 and s.counts.interludes else None,
    )
    say({"seen": seen, "reason": played.reason, "ended": ended, "counts": played.statistics})
