"""A virtual bench with something wrong: what happens to the frame on its way, and to the photograph."""

import numpy as np

from rigwarp.devices import Bench


class FaultyDisplay:
    """Passes each frame through `change` before it is shown."""

    def __init__(self, display, change):
        self._display, self._change = display, change

    @property
    def resolution(self):
        return self._display.resolution

    def show(self, frame):
        self._display.show(np.ascontiguousarray(self._change(frame)))

    def close(self):
        self._display.close()


class FaultyCamera:
    """Passes each photograph, numbered, through `change`; its exposure may be stuck."""

    def __init__(self, camera, change, *, stuck=False, unlocked=()):
        self._camera, self._change, self._stuck = camera, change, stuck
        self._taken = 0
        self.unlocked = unlocked

    @property
    def resolution(self):
        return self._camera.resolution

    @property
    def exposure_s(self):
        return None if self._stuck else self._camera.exposure_s

    def set_exposure(self, seconds):
        return None if self._stuck else self._camera.set_exposure(seconds)

    def grab(self):
        self._taken += 1
        return self._change(self._camera.grab(), self._taken)

    look = grab

    def close(self):
        self._camera.close()


def faulty(bench, *, frame=lambda frame: frame, photo=lambda photo, number: photo, **camera):
    """The bench with faults."""
    return Bench(display=FaultyDisplay(bench.display, frame), camera=FaultyCamera(bench.camera, photo, **camera))
