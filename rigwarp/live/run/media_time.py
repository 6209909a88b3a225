"""The source's own time: it runs with the show's, stands still when it is held, and jumps."""


class MediaTime:
    """What a source is asked for at a moment of the run.

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
