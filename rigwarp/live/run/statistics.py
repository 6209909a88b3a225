"""What happened to the frames, counted."""

from collections import deque
from dataclasses import asdict, dataclass, field
from statistics import median
from typing import Any

_KEPT_PERIODS = 600
LATE_FACTOR = 1.5
"""A flip counts as late when it comes this many usual periods after the one before."""


@dataclass(kw_only=True)
class Counts:
    """Counters of one run; several threads add to them, each to its own.

    Attributes
    ----------
    shown : flips.
    fresh : flips with a picture that was not there before.
    repeated : flips with the same picture as before.
    dropped : pictures of the source that were never shown because a later one was due as well.
    starved : times the source had nothing newer waiting.
    late : flips that came late.
    swaps, refused : new warps taken, and files that could not be used.
    restarts : times a dead source was opened again.
    interludes : times the window was lent to a measurement; its frames count among `shown` only.
    packets, malformed, overrun : remote control; those that came too fast are left out, and counted as overrun.
    """

    shown: int = 0
    fresh: int = 0
    repeated: int = 0
    dropped: int = 0
    starved: int = 0
    late: int = 0
    swaps: int = 0
    refused: int = 0
    restarts: int = 0
    interludes: int = 0
    packets: int = 0
    malformed: int = 0
    overrun: int = 0


@dataclass(kw_only=True)
class Pacing:
    """Flip times: the usual period, measured, and the flips that missed it."""

    counts: Counts
    _periods: deque[float] = field(default_factory=lambda: deque(maxlen=_KEPT_PERIODS))
    _last_s: float | None = None

    def flipped(self, now_s: float, *, fresh: bool) -> None:
        """Note a flip."""
        self.counts.shown += 1
        if fresh:
            self.counts.fresh += 1
        else:
            self.counts.repeated += 1
        if self._last_s is not None:
            period = now_s - self._last_s
            usual = self.period_s
            if usual is not None and period > LATE_FACTOR * usual:
                self.counts.late += 1
            self._periods.append(period)
        self._last_s = now_s

    def interrupted(self) -> None:
        """The next flip ends a pause that was meant, and tells nothing about the period."""
        self._last_s = None

    @property
    def period_s(self) -> float | None:
        """The median time between flips; None before there are some."""
        return median(self._periods) if len(self._periods) >= 8 else None

    def as_dict(self) -> dict[str, Any]:
        """Counters and the measured rate."""
        period = self.period_s
        rate = round(1.0 / period, 2) if period else None
        return {**asdict(self.counts), "flips_per_second": rate}
