"""What a projector's screen shows, seen by a virtual rig's camera and served as a network camera: the loop is closed.

The screen's real pixels are grabbed at the beginning and at the end of each exposure. If they differ, the photograph is
a mixture, row by row, as a rolling shutter makes it.
"""

import threading
import time

import cv2
import numpy as np
from loose_stream import NO_FAULTS
from mjpeg_server import MjpegServer
from x_screen import OffScreenError

_JPEG_QUALITY = 98
"""At 95 the decoder finds three per cent of the pixels inconsistent: JPEG rounds weak stripes away."""


class ScreenLoop:
    """A thread that photographs a screen until it is closed.

    Parameters
    ----------
    screen : of x_screen.
    at : upper left corner of the projector's part of it.
    virtual : the virtual rig; its display and camera serve this loop alone.
    rate : photographs a second.
    delay_s : from the end of an exposure to the delivery.
    faults : what goes wrong on the way; may be changed while it runs.
    port : of the network camera; 0 takes a free one.
    """

    def __init__(self, screen, at, virtual, *, rate=20.0, delay_s=0.08, faults=NO_FAULTS, seed=1, port=0):
        self.faults = faults
        self.mixed = self.lost = self.stuck = self.late = 0
        self._screen, self._at, self._virtual = screen, at, virtual
        self._frame_s, self._delay_s = 1.0 / rate, delay_s
        self._random = np.random.default_rng(seed)
        self._server = MjpegServer(port)
        self._due_s = -np.inf
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        virtual.prepare()
        self._thread.start()

    @property
    def address(self):
        return self._server.address

    @property
    def port(self):
        return self._server.port

    def close(self):
        """End the stream."""
        self._over.set()
        self._thread.join(10)
        self._server.close()

    def _run(self):
        begin_s = time.monotonic()
        while not self._over.wait(max(0.0, begin_s - time.monotonic())):
            if self._server.watched:
                self._photograph()
            # a slow machine skips photographs, as a camera that cannot keep up
            begin_s = max(begin_s + self._frame_s, time.monotonic())

    def _photograph(self):
        first = self._grab()
        time.sleep(0.5 * self._frame_s)  # the exposure
        last = self._grab()
        photo = self._seen(last)
        if not np.array_equal(first, last):
            rows = np.linspace(0, 1, photo.shape[0])[:, None]
            share = np.clip(3 * (rows - self._random.uniform(-0.2, 0.9)), 0, 1)
            photo = np.rint((1 - share) * self._seen(first) + share * photo).astype(np.uint8)
            self.mixed += 1
        self._deliver(cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])[1].tobytes())

    def _deliver(self, jpeg):
        faults = self.faults
        if self._random.random() < faults.lost:
            self.lost += 1
            return
        late = self._random.random() < faults.late
        self.late += late
        self._due_s = max(self._due_s, time.monotonic() + self._delay_s + late * faults.late_s)
        self._server.send(jpeg, self._due_s)
        if self._random.random() < faults.stuck:
            self.stuck += 1
            self._server.send(jpeg, self._due_s)

    def _grab(self):
        width, height = self._virtual.display.resolution
        try:
            return self._screen.grab((width, height), self._at)
        except OffScreenError:
            return np.zeros((height, width, 3), np.uint8)  # the projector is unplugged

    def _seen(self, picture):
        self._virtual.display.show(picture)
        return self._virtual.camera.grab()
