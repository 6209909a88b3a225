"""The live top view: the camera's newest picture, straightened, to everybody who wants it; and how old it is then."""

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rigwarp.live.view.feed import CameraFeed
from rigwarp.view.top import TopMaps

_KEPT = 3000  # ages: the last minute or two


class Sink(Protocol):
    """Something that takes the pictures: a window, a ring, a server, a file."""

    def show(self, picture: NDArray[np.uint8], captured_s: float) -> object:
        """Take a picture, (H, W) or (H, W, 3) blue, green, red; it is not changed afterwards."""


@dataclass(frozen=True, kw_only=True)
class ViewShown:
    """What a live view did.

    Attributes
    ----------
    frames : pictures shown; seconds : from the first to the last.
    age_ms, age_p95_ms : from the camera's delivery of a picture to its being handed on, median and 95th percentile.
    period_ms : the camera's.
    reopened : times the camera was opened again.
    """

    frames: int
    seconds: float
    age_ms: float
    age_p95_ms: float
    period_ms: float
    reopened: int


def play_view(
    feed: CameraFeed,
    maps: TopMaps,
    sinks: Sequence[Sink],
    *,
    blend: bool = False,
    go_on: Callable[[], bool] = lambda: True,
) -> ViewShown:
    """Show pictures until `go_on` says no, or Ctrl-C is pressed: then what was shown is whole."""
    ages: deque[float] = deque(maxlen=_KEPT)
    frames, began_s, last_s, period_s = 0, np.nan, np.nan, np.nan
    try:
        while go_on():
            shot = feed.next()
            if shot is None:
                continue
            picture = maps.apply(shot.picture, blend=blend)
            for sink in sinks:
                sink.show(picture, shot.captured_s)
            last_s = time.monotonic()
            ages.append(last_s - shot.captured_s)
            began_s = last_s if not frames else began_s
            frames, period_s = frames + 1, feed.frame_s
    except KeyboardInterrupt:
        pass
    age_ms = 1e3 * np.array(ages) if ages else np.array([np.nan])
    return ViewShown(
        frames=frames,
        seconds=last_s - began_s,
        age_ms=float(np.median(age_ms)),
        age_p95_ms=float(np.percentile(age_ms, 95)),
        period_ms=1e3 * period_s,
        reopened=feed.reopened,
    )
