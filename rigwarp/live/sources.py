"""Where pictures come from."""

from typing import Protocol

from rigwarp.live.picture import Picture, checked


class Source(Protocol):
    """Something that has a picture for every moment."""

    def at(self, time_s: float) -> Picture:
        """The picture to show `time_s` after the start; the same object as before when nothing has changed."""

    def close(self) -> None:
        """Free what the source holds; calling it twice is fine."""


class StillSource:
    """One picture, for ever."""

    def __init__(self, picture: Picture) -> None:
        self._picture = checked(picture)

    def at(self, time_s: float) -> Picture:
        """The picture."""
        return self._picture

    def close(self) -> None:
        """Nothing to free."""
