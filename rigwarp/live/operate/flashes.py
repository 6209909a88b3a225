"""Keeping what the player itself does to the light below what harms people with photosensitive epilepsy.

Not more than three flashes in any second, a flash being a pair of opposing changes (WCAG 2.2, 2.3.1): of changes that
turn the light's direction, six. The content's own flashing is the content's.
"""

from collections import deque

CHANGES_PER_SECOND = 6
_SECOND_S = 1.15
"""Longer than a second: a change that is decided on is seen when its frame is, and the next one's may be less late."""


class FlashLimit:
    """Says whether the light may change now; `fast`: always, for somebody has asked for no limit."""

    def __init__(self, *, fast: bool = False) -> None:
        self._fast = fast
        self._turns: deque[float] = deque(maxlen=CHANGES_PER_SECOND)
        self._level: float | None = None
        self._direction = 0

    def passes(self, level: float, now_s: float) -> bool:
        """True, and noted, when the light may have this level (0 .. 1) now; on the way it already goes, always."""
        before = level if self._level is None else self._level
        step = int(level > before) - int(level < before)
        turns = step not in (0, self._direction)
        if turns and not self.jump(now_s):
            return False
        self._level = level
        self._direction = step or self._direction
        return True

    def jump(self, now_s: float) -> bool:
        """True, and noted, when another picture may come now."""
        if not self._fast and len(self._turns) == CHANGES_PER_SECOND and now_s - self._turns[0] < _SECOND_S:
            return False
        self._turns.append(now_s)
        return True
