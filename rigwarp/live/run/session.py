"""What is playing and how it is corrected: everything between the sources and the window, one frame at a time."""

import json
import logging
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from rigwarp.live.operate.check_pictures import StandIn
from rigwarp.live.operate.flashes import FlashLimit
from rigwarp.live.operate.interlude import Interludes, Measurement
from rigwarp.live.operate.keeper import WarpKeeper
from rigwarp.live.operate.operator import Input, Operator, correct
from rigwarp.live.operate.overlay import with_overlay
from rigwarp.live.render.picture import AnyPicture, Picture
from rigwarp.live.render.warp import Warp
from rigwarp.live.run.statistics import Counts, Pacing
from rigwarp.live.sources.opening import Doorman
from rigwarp.live.sources.source import Source
from rigwarp.live.sources.video import VideoSource
from rigwarp.rig.canvas import content_to_table
from rigwarp.talk.commands import CORRECTIONS, Command, Inlet

log = logging.getLogger(__name__)
OVERLAY_S = 4.0
"""How long the overlay stays after the last key."""


class MediaTime:
    """The source's own time: it runs with the show's, stands still when it is held, and jumps.

    `now_s` are seconds since the run began, as of the last picture; `running` is False while it is held.
    """

    def __init__(self) -> None:
        self.now_s = 0.0
        self.running = True
        self._offset_s = self._held_s = 0.0

    @property
    def at_s(self) -> float:
        """The source's time now."""
        return self.at(self.now_s) if self.running else self._held_s

    def at(self, run_s: float) -> float:
        """The source's time at a moment of the run, if nobody holds it."""
        return run_s + self._offset_s

    def run_on(self, on: bool) -> None:
        """Let it run, or stand still."""
        if on and not self.running:
            self._offset_s = self._held_s - self.now_s
        elif not on and self.running:
            self._held_s = self.at_s
        self.running = on

    def seek(self, media_s: float) -> None:
        """Go to a moment of the source."""
        self._held_s = max(media_s, 0.0)
        self._offset_s = self._held_s - self.now_s

    def skip(self, lasted_s: float) -> None:
        """Leave so much of the run out."""
        self._offset_s -= lasted_s


class Session:
    """One run of the player, without its window.

    Parameters
    ----------
    warp : what is drawn with at first.
    source : what plays at first.
    keeper : prepares new warps; None: nothing can be corrected.
    remote, page : where commands come from: messages to a port, the page beside the table.
    open_named : opens a source that is asked for by name.
    counts : the run's counters.
    name : what the first source is called.
    fast : let commands change the light more than six times a second.

    Attributes
    ----------
    media : the source's own time: it can be held, and jump.
    interludes : where a measurement asks for the window; see `rigwarp.live.operate.interlude`.
    watch_says : what the drift watch has found last, and when; shown with the keys, and in `status`.
    watch_warned : what it last corrected or could not do, and when; shown there too.
    page_address : where its page is, without a key; in the heartbeat.
    code : rows of the page's code, "0" and "1", once there is one to be shown on the table.
    """

    def __init__(
        self,
        warp: Warp,
        source: Source,
        *,
        keeper: WarpKeeper | None = None,
        remote: Inlet | None = None,
        page: Inlet | None = None,
        open_named: Callable[[str], Source] | None = None,
        counts: Counts | None = None,
        name: str = "",
        fast: bool = False,
    ) -> None:
        self.warp = warp
        self.operator = Operator(warp.adjustment)
        self.operator.has_light = warp.prewarp.light is not None
        self.counts = counts or Counts()
        self.pacing = Pacing(counts=self.counts)
        self.interludes = Interludes()
        self.takes_planes = False
        self.dark = False
        self.watch_says = self.watch_warned = ""
        self.media = MediaTime()
        self.code: tuple[str, ...] = ()
        self.page_address = ""
        self._measuring = False
        self._source, self._keeper = source, keeper
        self._inlets = [inlet for inlet in (remote, page) if inlet is not None]
        self._stand_in = StandIn(warp.content)
        self._compared = self._compare_wanted = False
        self._overlay_until_s, self._help = -1.0, False
        self._doorman = Doorman(open_named, self.counts)
        self._opened: tuple[str, Source] | None = None
        self._name = name
        self._flashes = FlashLimit(fast=fast)
        self._flashes.passes(self._level(dark=False), 0.0)
        self._black: Picture | None = None
        self._is_dark = False
        self._shown: AnyPicture | None = None
        self._unsent: bool | None = None
        self._unsaved = False
        self._decorated: tuple[Any, Picture] | None = None

    def picture(self, now_s: float) -> AnyPicture:
        """What to show at this moment of the run; the same object as before when nothing has changed."""
        self.media.now_s = now_s
        for inlet in self._inlets:
            asked = [command.sender for command in inlet.commands() if self._obey(command, inlet)]
            text = json.dumps(self.status()) if asked else ""  # once everything that came with the question is done
            for sender in asked:
                inlet.answer(sender, text)
        self._take_opened()
        if isinstance(self._source, VideoSource):
            self._source.wants_planes = self.takes_planes
        stands_in = self._stand_in.picture(now_s, self._flashes)
        picture = self._when_prepared(self._source.at(self.media.at_s) if stands_in is None else stands_in)
        self._send()
        self._compare()
        if self.dark != self._is_dark and self._flashes.passes(self._level(dark=self.dark), now_s):
            self._is_dark = self.dark
        if self._is_dark:
            if self._black is None or self._black.shape != picture.shape:
                self._black = np.zeros(picture.shape, np.uint8)
            return self._black
        return self._with_overlay(picture)

    def fresh_warp(self) -> Warp | None:
        """A new warp to draw with from this frame on, or None."""
        fresh = self._keeper.take() if self._keeper is not None else None
        if fresh is None:
            return None
        self.warp = fresh.warp
        self.operator.has_light = fresh.warp.prewarp.light is not None
        if fresh.from_file:
            self.operator.change(fresh.warp.adjustment)
        return fresh.warp

    def measurement_due(self, now_s: float) -> Measurement | None:
        """The measurement to run before the picture of this moment, when the moment is quiet; see `Quiet`."""
        if not self.interludes.waiting:
            return None
        measurement = self.interludes.due(now_s, at_seam=self._at_seam(now_s))
        self._measuring = measurement is not None
        return measurement

    def after_interlude(self, lasted_s: float) -> None:
        """Go on where the content stood when the interlude began."""
        self._measuring = False
        self.media.skip(lasted_s)
        self.counts.interludes += 1
        self.pacing.interrupted()

    @property
    def content_wanted(self) -> bool:
        """True when somebody has sent a command that the picture has to follow."""
        return any(inlet.wants_something for inlet in self._inlets)

    @property
    def run_s(self) -> float:
        """Seconds since the run began, as of the last picture."""
        return self.media.now_s

    def handle(self, what: Input) -> None:
        """A key or the pointer."""
        before = self.operator.adjustment
        if what.kind != "move":  # a mouse on a shaking table is nobody
            self.interludes.touched(self.media.now_s)
        if what.kind == "key":
            if what.key == "space":
                self.media.run_on(not self.media.running)
            elif what.key == "b":
                self.dark = not self.dark
            elif what.key == "k":
                self.show_code(on=not self._stand_in.name)
            elif what.key == "h":
                self._help = not self._help
                self._overlay_until_s = self.media.now_s + (1e9 if self._help else 0.0)
            elif self._keeper is not None and self.operator.key(what.key, shift=what.shift, ctrl=what.ctrl):
                self._wake_overlay()
        elif self._keeper is not None:
            self.operator.pointer(what, self.table_mm(what.at_px))
            if self.operator.tool in ("spot", "mask"):
                self._wake_overlay()
        self._after(before, save=what.kind in ("key", "press", "release"))

    def table_mm(self, at_px: tuple[int, int]) -> tuple[float, float] | None:
        """Where on the table a projector pixel lands; None where no light of it does."""
        if self.warp.content is None:
            return None
        height, width = self.warp.canvas_px.shape[:2]
        if not (0 <= at_px[0] < width and 0 <= at_px[1] < height):
            return None
        x, y = content_to_table(self.warp.content, self.warp.canvas_px[at_px[1], at_px[0]])
        return (float(x), float(y)) if np.isfinite(x + y) else None

    def about(self) -> dict[str, str]:
        """What plays, whether it does just now, and what the drift watch has said."""
        doing = "dark" if self.dark else "playing" if self.media.running else "standing still"
        return {
            "source": self._name,
            "doing": "measuring" if self._measuring else doing,
            "watch": self.watch_says,
            "watch_warned": self.watch_warned,
            **({"page": self.page_address} if self.page_address else {}),
        }

    def status(self) -> dict[str, Any]:
        """What goes on, in numbers."""
        now = self.operator.adjustment
        return {
            **self.about(),
            "time_s": round(self.media.at_s, 3),
            "running": self.media.running,
            "dark": self.dark,
            "brightness": now.brightness,
            "black": now.black_level,
            "shift_mm": now.shift_mm,
            "turn_deg": now.turn_deg,
            "scale": now.scale,
            "drags": len(now.drags),
            "masks": len(now.masks),
            "even": [now.flatten_limit, now.flatten_falloff],
            **self.pacing.as_dict(),
        }

    def show_code(self, *, on: bool = True) -> None:
        """The page's code on the table, for a minute."""
        self._stand_in.show_code(self.code if on else (), self.media.now_s)

    def page_state(self) -> dict[str, Any]:
        """What the page beside the table shows, as JSON values; from another thread than the frame loop's."""
        operator, undo_redo = self.operator, self.operator.steps
        return {
            **self.status(),
            "revision": operator.revision,
            "correction": asdict(operator.adjustment),
            "correctable": self._keeper is not None,
            "has_light": operator.has_light,
            "undo": undo_redo[0],
            "redo": undo_redo[1],
            "stands_in": self._stand_in.name.split(" ")[0],
            "before": self._compared,
            "run_s": self.media.now_s,
        }

    @property
    def shown(self) -> AnyPicture | None:
        """The picture that is being sent, without what is drawn over it; None when all is dark."""
        return None if self._is_dark else self._shown

    def close(self) -> None:
        """Close everything that the session was given."""
        self._doorman.close([self._source, *([self._opened[1]] if self._opened is not None else [])])
        self._stand_in.close()
        for inlet in self._inlets:
            inlet.close()
        if self._keeper is not None:
            self._keeper.close()

    def _at_seam(self, now_s: float) -> bool:
        """True when the source comes to an end or goes round between the last picture and this moment."""
        round_s = self._source.round_s
        if round_s is None or self.dark or not self.media.running:
            return True
        return self.media.at_s // round_s != self.media.at(now_s) // round_s

    def _wake_overlay(self) -> None:
        self._overlay_until_s = max(self._overlay_until_s, self.media.now_s + OVERLAY_S)

    def _after(self, before: object, *, save: bool) -> None:
        if self._keeper is not None and (self.operator.adjustment != before or (save and self._unsaved)):
            self._unsaved = not save
            self._unsent = save or bool(self._unsent)
            self._send()

    def _send(self) -> None:
        """Ask for the warp of the correction, as soon as its light may be shown."""
        if self._keeper is None or self._unsent is None:
            return
        if self._flashes.passes(self._level(dark=self._is_dark), self.media.now_s):
            self._keeper.want(self.operator.adjustment, save=self._unsent)
            self._unsent = None

    def _level(self, *, dark: bool) -> float:
        """How much light there is, for telling brighter from darker."""
        now = self.operator.adjustment
        return 0.0 if dark else now.brightness + now.black_level

    def _when_prepared(self, picture: AnyPicture) -> AnyPicture:
        """A picture of another size once its sampling positions are looked up; the one before until then."""
        size = (picture.shape[1], picture.shape[0])
        before = self._shown
        new_size = before is not None and (before.shape[1], before.shape[0]) != size
        if before is not None and new_size and self._keeper is not None and not self._keeper.ready_for(size, self.warp):
            return before
        self._shown = picture
        if self._keeper is not None:
            self._keeper.picture_size = size
        return picture

    def _with_overlay(self, picture: AnyPicture) -> AnyPicture:
        if self.media.now_s >= self._overlay_until_s or self.warp.content is None:
            self._decorated = None
            return picture
        operator = self.operator
        notes = tuple(dict.fromkeys(filter(None, (self.watch_says, self.watch_warned))))
        key = (id(picture), operator.words(), operator.pointer_mm, tuple(operator.corners), self._help, notes)
        if self._decorated is None or self._decorated[0] != key:
            drawn = with_overlay(picture, self.warp.content, operator, help_shown=self._help, notes=notes)
            self._decorated = (key, drawn)
        return self._decorated[1]

    def _obey(self, command: Command, inlet: Inlet) -> bool:
        """Carry out a command; True when its sender asks for the status."""
        if command.name == "status":
            return True
        self.interludes.touched(self.media.now_s)
        corrects = command.name in CORRECTIONS
        refused = ""
        if corrects and command.revision is not None and command.revision != self.operator.revision:
            refused = "changed"
        elif corrects and command.number and self._keeper is None:
            refused = "uncorrectable"
        else:
            self._carry_out(command)
        if command.number:
            inlet.done(command, refused, self.operator.revision)
        return False

    def _carry_out(self, command: Command) -> None:
        before = self.operator.adjustment
        value = command.values[0] if command.values else None
        on = value != 0.0
        match command.name:
            case "show":
                self._doorman.open(str(value))
            case "go" | "hold":
                self.media.run_on(command.name == "go")
            case "seek":
                self.media.seek(float(value or 0.0))
            case "dark":
                self.dark = on
            case "grid":
                self._stand_in.show_grid(on)
            case "before":
                self._compare_wanted = on
            case "code":
                self.show_code(on=on)
            case _:
                correct(self.operator, command)
        self._after(before, save=True)

    def _compare(self) -> None:
        """Draw with the result before, or the present one again, as soon as the light may change."""
        if self._compared != self._compare_wanted and self._keeper is not None and self._flashes.jump(self.media.now_s):
            self._compared = self._compare_wanted
            self._keeper.compare(self._compared)

    def _take_opened(self) -> None:
        """Go over to a source that has been opened, as soon as another picture may come."""
        opened = self._doorman.take()
        if opened is not None:
            if self._opened is not None:
                self._doorman.close_beside(self._opened[1])
            self._opened = opened
        if self._opened is None or not self._flashes.jump(self.media.now_s):
            return
        self._doorman.close_beside(self._source)
        (self._name, self._source), self._opened = self._opened, None
        self.media.seek(0.0)
