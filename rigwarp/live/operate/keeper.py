"""Keeping the warp up to date beside the frame loop: new calibrations, corrections by hand, and saving them.

Everything slow (reading files, looking up sampling positions) happens in one thread; the frame loop takes the finished
warp between two frames.
"""

import logging
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rigwarp.errors import RigwarpError
from rigwarp.files import current_result, read_adjustment, read_prewarp, result_before, write_adjustment
from rigwarp.files.names import ADJUST_FILE, CURRENT_FILE, PREWARP_FILE, REFUSED_FILE
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.live.run.statistics import Counts
from rigwarp.prewarp import UNCHANGED, Adjustment

log = logging.getLogger(__name__)
POLL_S = 0.25
_Stamp = tuple[int, int, int] | None
_UNSEEN: _Stamp = (-1, -1, -1)


@dataclass(frozen=True, kw_only=True)
class Fresh:
    """A warp to take over; `from_file`: its adjustment was changed by somebody else, on disk."""

    warp: Warp
    from_file: bool


class WarpKeeper:
    """Watches a rig folder and prepares warps.

    Parameters
    ----------
    warp : what is drawn with at first.
    root : the rig folder; None watches and saves nothing.
    follow_result : take over a new current.json; off for the design's warp.
    counts : where swaps and refused files are counted.

    Attributes
    ----------
    picture_size : (width, height) of the pictures being shown; sampling positions are prepared for it.
    prepare : what the renderer does before it can draw pictures of a size by a warp.
    """

    def __init__(
        self,
        warp: Warp,
        *,
        root: Path | None = None,
        follow_result: bool = True,
        counts: Counts | None = None,
    ) -> None:
        self.picture_size: tuple[int, int] | None = None
        self._warp = warp
        self._adjustment = warp.adjustment
        self._root = root
        self._follow = follow_result
        self._counts = counts or Counts()
        self.prepare: Callable[[Warp, tuple[int, int]], object] = Warp.kept_samples
        self._wanted: tuple[Adjustment, bool] | None = None
        self._wanted_size: tuple[int, int] | None = None
        self._hopeless_size: tuple[int, int] | None = None
        self._fresh: Fresh | None = None
        self._revision = 0
        self._known = self._bytes()
        self._spoiled = False
        self._compared: bool | None = None
        self._changed = threading.Condition()
        self._ended = False
        self._stamps = {name: self._stamp(name) for name in (CURRENT_FILE, ADJUST_FILE)}
        self._thread = threading.Thread(target=self._keep_on, name="rigwarp-keeper", daemon=True)

    def draw_with(self, warp: Warp) -> None:
        """Begin with another warp after all; before `start` only."""
        self._warp = warp

    def start(self, revision: int = 0) -> None:
        """Begin; `revision` is that of the adjustment the first warp carries, 0 when none could be read."""
        self._revision = revision
        self._spoiled = revision == 0 and self._stamps[ADJUST_FILE] is not None
        self._thread.start()

    def want(self, adjustment: Adjustment, *, save: bool) -> None:
        """Ask for a warp under this adjustment; of several, the newest counts."""
        with self._changed:
            before_saves = self._wanted is not None and self._wanted[1]
            self._wanted = (adjustment, save or before_saves)
            self._changed.notify_all()

    def compare(self, before: bool) -> None:
        """Draw with the result before the current one, or with the current one again."""
        with self._changed:
            self._compared = before
            self._changed.notify_all()

    def ready_for(self, size: tuple[int, int], warp: Warp) -> bool:
        """True when pictures of this size (width, height) can be drawn by `warp` at once; else that is prepared."""
        if warp.is_ready_for(size) or not self._thread.is_alive():
            return True
        if size != self._hopeless_size:
            self._want_size(size)
        return False

    def _want_size(self, size: tuple[int, int]) -> None:
        with self._changed:
            self._wanted_size = size
            self._changed.notify_all()

    def take(self) -> Fresh | None:
        """The newest finished warp, once, when it can draw what is being shown; None when there is nothing new."""
        if self._fresh is None:
            return None
        size = self.picture_size
        if size is not None and not self._fresh.warp.is_ready_for(size):  # another size came up while it was made
            self._want_size(size)
            return None
        with self._changed:
            fresh, self._fresh = self._fresh, None
            if fresh is not None:
                self._counts.swaps += 1
            return fresh

    def close(self) -> None:
        """Finish what was asked for (saving included) and stop."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(timeout=10.0)

    def _keep_on(self) -> None:
        while True:
            with self._changed:
                if not self._ended and not self._asked():
                    self._changed.wait(POLL_S)
                wanted, self._wanted = self._wanted, None
                size, self._wanted_size = self._wanted_size, None
                compared, self._compared = self._compared, None
                ended = self._ended
            try:
                if size is not None:
                    self._prepare_size(size)
                if wanted is not None:
                    self._prepare(wanted[0], save=wanted[1])
                if compared is not None:
                    self._compare(compared)
                if ended and wanted is None:
                    return
                if not ended:
                    self._look()
            except Exception:  # this thread must outlive whatever a file or a disk comes up with
                log.exception("the warp could not be brought up to date; the old one stays")
                self._counts.refused += 1

    def _asked(self) -> bool:
        return self._wanted is not None or self._wanted_size is not None or self._compared is not None

    def _compare(self, before: bool) -> None:
        warp = self._warp
        if before and self._root is not None:
            earlier = result_before(self._root)
            if earlier is None:
                log.warning("there is no result before the current one to compare with")
                return
            warp = warp_of(
                read_prewarp(earlier / PREWARP_FILE),
                warp.content,
                adjustment=self._adjustment,
                sampling=warp.sampling,
            )
            if warp.prewarp.projector_resolution != self._warp.prewarp.projector_resolution:
                log.warning("%s is for a projector of other pixels; it cannot be compared", earlier)
                return
        kept = self._warp
        self._hand_over(warp, from_file=False)
        self._warp = kept  # corrections and saving go on with the current one

    def _prepare(self, adjustment: Adjustment, *, save: bool) -> None:
        self._adjustment = adjustment
        self._hand_over(self._warp.adjusted(adjustment), from_file=False)
        if not save or self._root is None:
            return
        self._revision += 1
        try:
            path = self._root / ADJUST_FILE
            if self._spoiled or self._bytes() not in (None, self._known):
                # unreadable, or changed since the last look: what somebody wrote by hand is put aside, not lost
                os.replace(path, self._root / REFUSED_FILE)
                log.warning("%s was changed by somebody else meanwhile; that is kept as %s", path, REFUSED_FILE)
                self._spoiled = False
            write_adjustment(path, adjustment, revision=self._revision)
            self._known = self._bytes()
            # read it back at the next look: had somebody else changed it since, a stamp taken here would hide that
            self._stamps[ADJUST_FILE] = _UNSEEN
        except (RigwarpError, OSError) as error:
            log.warning("the correction is shown, and not saved: %s", error)
            self._counts.refused += 1

    def _prepare_size(self, size: tuple[int, int]) -> None:
        try:
            self.prepare(self._warp, size)
        except RigwarpError as error:
            self._hopeless_size = size
            self._counts.refused += 1
            log.warning("the old picture stays: %s", error)

    def _hand_over(self, warp: Warp, *, from_file: bool) -> None:
        if self.picture_size is not None:
            self.prepare(warp, self.picture_size)  # the slow part, before the frame loop gets to see it
        self._warp = warp
        with self._changed:
            kept_flag = self._fresh is not None and self._fresh.from_file
            self._fresh = Fresh(warp=warp, from_file=from_file or kept_flag)

    def _look(self) -> None:
        """Take over files that have changed."""
        if self._root is None:
            return
        if self._follow and self._is_new(CURRENT_FILE):
            try:
                self._take_result(self._root)
            except RigwarpError as error:
                self._refuse(error)
        if self._is_new(ADJUST_FILE):
            try:
                self._take_adjustment(self._root / ADJUST_FILE)
                self._spoiled = False
            except RigwarpError as error:
                self._spoiled = True
                self._refuse(error)

    def _take_result(self, root: Path) -> None:
        run = current_result(root)
        prewarp = read_prewarp(run / PREWARP_FILE)
        if prewarp.projector_resolution != self._warp.prewarp.projector_resolution:
            log.warning("%s is for a projector of %s pixels; start again to use it", run, prewarp.projector_resolution)
            self._counts.refused += 1
            return
        old = self._warp
        self._hand_over(
            warp_of(prewarp, old.content, adjustment=self._adjustment, sampling=old.sampling), from_file=False
        )
        log.info("now drawing with %s", run)

    def _bytes(self) -> bytes | None:
        """What adjust.json holds now; None when it is not there."""
        try:
            return (self._root / ADJUST_FILE).read_bytes() if self._root is not None else None
        except OSError:
            return None

    def _take_adjustment(self, path: Path) -> None:
        self._known = self._bytes()
        if path.exists():
            adjustment, self._revision = read_adjustment(path)
        else:
            adjustment = UNCHANGED  # somebody removed it: back to the measured map
        if adjustment != self._adjustment:
            self._adjustment = adjustment
            self._hand_over(self._warp.adjusted(adjustment), from_file=True)
            log.info("took over %s, revision %d", path, self._revision)

    def _refuse(self, error: RigwarpError) -> None:
        self._counts.refused += 1
        log.warning("refused, the old one stays: %s", error)

    def _is_new(self, name: str) -> bool:
        stamp = self._stamp(name)
        if stamp == self._stamps[name]:
            return False
        self._stamps[name] = stamp
        return True

    def _stamp(self, name: str) -> _Stamp:
        """What tells a new file from the old one: files are replaced whole, so the inode changes too."""
        if self._root is None:
            return None
        try:
            facts = (self._root / name).stat()
        except OSError:
            return None
        return facts.st_mtime_ns, facts.st_size, facts.st_ino
