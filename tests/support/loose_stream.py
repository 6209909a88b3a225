"""A display and a camera that nothing ties together, as a model: exposure, rolling shutter, and what goes wrong on the
way."""

import time
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from rigwarp.devices import Shot
from rigwarp.errors import DeviceError


@dataclass(frozen=True, kw_only=True)
class Faults:
    """Shares of photographs that fare badly, and by how much.

    `stuck` pictures are delivered twice, bit by bit the same; `late` ones come `late_s` later than usual, and hold up
    those behind them.
    """

    lost: float = 0.0
    stuck: float = 0.0
    late: float = 0.0
    late_s: float = 0.0


NO_FAULTS = Faults()
_FIRST_EXPOSURE_S = 0.01


class LooseStream:
    """Display and camera in one. Photographs are 8-bit views of what was shown while each row was exposed.

    Parameters
    ----------
    size : (width, height) of both.
    frame_s, exposure_s, readout_s : of the camera; the last row begins `readout_s` after the first.
    delay_s : from the end of the exposure to the arrival.
    shows_after_s : from the return of `show` until the picture is visible.
    settable : the exposure can be set: it is 0.01 s at first, takes three frame times to be heeded, and scales the
        light (not the time, which tells apart what is mixed).
    """

    def __init__(
        self,
        size=(64, 48),
        *,
        frame_s=0.002,
        exposure_s=0.0012,
        readout_s=0.0007,
        delay_s=0.004,
        shows_after_s=0.003,
        faults=NO_FAULTS,
        noise=1.5,
        seed=1,
        ends_after=None,
        settable=False,
    ):
        self.resolution = size
        self.unlocked = () if settable else ("exposure",)
        self.exposure_s = _FIRST_EXPOSURE_S if settable else None
        self._gains = [(-np.inf, 1.0)]
        self.frame_s = frame_s
        self._exposure_s, self._readout_s = exposure_s, readout_s
        self._delay_s, self._shows_after_s = delay_s, shows_after_s
        self.faults, self.noise = faults, noise
        self._random = np.random.default_rng(seed)
        self._begin_s = time.monotonic()
        self._times, self._pictures = [-np.inf], [np.zeros(size[::-1], np.uint8)]
        self._queue = []  # (arrival, number of the exposure, photograph or None until it is developed)
        self._number = 0
        self._arrived_s = -np.inf
        self._ends_after = ends_after
        self.delivered = 0

    def show(self, frame):
        self._pictures.append(frame.copy())
        self._times.append(time.monotonic() + self._shows_after_s)

    def set_exposure(self, seconds):
        if self.exposure_s is None:
            return None
        self._gains.append((time.monotonic() + 3 * self.frame_s, seconds / _FIRST_EXPOSURE_S))
        self.exposure_s = seconds
        return seconds

    def next_shot(self, after_s):
        while True:
            while not any(arrival > after_s for arrival, _, _ in self._queue):
                self._expose_next()
            arrival, number, photo = next(q for q in self._queue if q[0] > after_s)
            wait_s = arrival - time.monotonic()
            if wait_s > 0:
                time.sleep(wait_s)
            if photo is None:
                photo = self._developed(number)
                self._queue = [(a, n, photo if n == number else p) for a, n, p in self._queue]
            self._queue = self._queue[-50:]
            self.delivered += 1
            if self._ends_after is not None and self.delivered > self._ends_after:
                raise DeviceError("camera loose has stopped")
            return Shot(photo=photo, arrived_s=arrival)

    def grab(self):
        return self.next_shot(time.monotonic() + 0.1).photo

    def look(self):
        return self.next_shot(time.monotonic()).photo

    def close(self):
        """Nothing to give back."""

    def _expose_next(self):
        self._number += 1
        if self._random.random() < self.faults.lost:
            return
        end_s = self._begin_s + self._number * self.frame_s + self._exposure_s + self._readout_s
        late_s = self.faults.late_s if self._random.random() < self.faults.late else 0.0
        # nothing overtakes: what comes behind a late picture arrives right after it
        self._arrived_s = max(end_s + self._delay_s + late_s, self._arrived_s + 1e-5)
        self._queue.append((self._arrived_s, self._number, None))
        if self._random.random() < self.faults.stuck:
            self._arrived_s += 1e-4
            self._queue.append((self._arrived_s, self._number, None))

    def _developed(self, number):
        height = self.resolution[1]
        start_s = self._begin_s + number * self.frame_s + np.arange(height) / height * self._readout_s
        light = np.zeros(self.resolution[::-1], np.float32)
        first = max(0, bisect_right(self._times, start_s[0]) - 1)
        for shown in range(first, len(self._times)):
            until_s = self._times[shown + 1] if shown + 1 < len(self._times) else np.inf
            from_s = np.maximum(start_s, self._times[shown])
            share = np.clip(np.minimum(start_s + self._exposure_s, until_s) - from_s, 0, None) / self._exposure_s
            light += share[:, None].astype(np.float32) * seen(self._pictures[shown])
        light *= next(gain for from_s, gain in reversed(self._gains) if start_s[0] >= from_s)
        noise = self.noise * self._random.standard_normal(light.shape, dtype=np.float32)
        return np.clip(np.rint(light + noise), 0, 255).astype(np.uint8)


def seen(picture):
    """What a photograph would hold without noise: neither black nor white is clipped."""
    grey = picture if picture.ndim == 2 else picture.mean(axis=2)
    return 20.0 + 0.8 * grey.astype(np.float32)
