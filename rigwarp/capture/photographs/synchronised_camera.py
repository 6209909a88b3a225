"""Photographs that certainly show what the display shows, from a camera that nothing ties to the display.

Pictures arrive in the order in which they were exposed, so once a photograph of a picture has been accepted, every
later one shows that picture, the next one, or a mixture of both. A photograph is accepted when it arrived so late that
its exposure must have begun after the flip, agrees with the one before it (no mixture), and differs from the last
accepted one if another picture is shown now (not stale). A picture that comes twice, bit by bit the same, is one
photograph that was delivered twice, and proves nothing.
"""

import time
from collections.abc import Iterator
from typing import Final

import numpy as np

from rigwarp.capture.photographs.agreement import cell_means
from rigwarp.capture.photographs.borrowed_camera import BorrowedCamera
from rigwarp.capture.photographs.latency import Latency
from rigwarp.capture.photographs.paced_display import PacedDisplay
from rigwarp.devices import Frame, Shot, StreamingCamera
from rigwarp.errors import DeviceError, MeasurementError
from rigwarp.geometry import Photo

_ROLLING_FRAMES = 1.0  # a rolling shutter begins its last row up to a frame later than its first
_LEAD_FRAMES = 2.0  # photographs before the first acceptable one that may serve as its witness
_SAME_AGAIN: Final = 6  # deliveries of one and the same picture, bit by bit, that must mean a camera without noise
_AT_REST: Final = 8  # photographs in a row that are equally unlike: noise, larger than that of the test lights
_CALM: Final = 3  # agreeing photographs more that must follow one which hardly differs from the picture before
_TRIES: Final = 100
_LONGEST_S = 6.0  # the tries go on for at least so long: quick cameras deliver a hundred photographs in a second
_STALE_S = 3.0
_CHANGE_CODES = 3.0  # mean change, by cells, that no camera can miss: finer stripes may look all alike
_EXPOSURE_FRAMES = 6.0  # photographs that may still be on their way with the exposure before


class SynchronisedCamera(BorrowedCamera):
    """A streaming camera and the display that it watches, whose latency is known.

    Parameters
    ----------
    camera : what delivers; it stays open when this one is closed.
    display : what it watches; everything must be shown through this one.
    latency : as measured with these two.

    Attributes
    ----------
    retaken : how many photographs did not agree, or were stale.
    accepted_s : when the last accepted photograph arrived.
    """

    def __init__(self, camera: StreamingCamera, display: PacedDisplay, latency: Latency) -> None:
        super().__init__(camera)
        self._camera = camera
        self._display = display
        self._agreement = latency.agreement
        self._wait_s = latency.max_s
        self._accepted: tuple[Frame, Photo] | None = latency.last
        self._witness: Shot | None = None
        self._not_before_s = -np.inf
        self.retaken = 0
        self.accepted_s = -np.inf

    def set_exposure(self, seconds: float) -> float | None:
        """Set the exposure time and let what was exposed before pass; returns what is set now, None if refused."""
        value = self._camera.set_exposure(seconds)
        self._not_before_s = time.monotonic() + self._wait_s + _EXPOSURE_FRAMES * self._camera.frame_s
        self._accepted = self._witness = None
        return value

    def grab(self) -> Photo:
        """Photograph what is shown now.

        Raises
        ------
        DeviceError
            If the camera fails, or still shows the picture before long after it should not.
        MeasurementError
            If no two photographs agree.
        """
        frame_s = self._camera.frame_s
        ready_s = max(self._display.shown_s + self._wait_s + _ROLLING_FRAMES * frame_s, self._not_before_s)
        differences: list[float] = []
        calm = 0
        for witness, shot in self._pairs(ready_s):
            differences.append(self._agreement.difference(shot.photo, witness.photo))
            calm = calm + 1 if self._agrees(differences) and not self._stale(shot, ready_s) else 0
            accepted = calm > _CALM or (calm > 0 and self._is_new(shot))
            if accepted or not calm:
                # a display that is being unplugged looks like a dark picture, and a window in front leaves a hole
                self._display.confirm()
            if accepted:
                return self._accept(shot)
            self.retaken += not calm
        raise MeasurementError(
            f"{len(differences)} photographs of one picture keep differing, by {max(differences, default=0.0):.0f} "
            "times what noise explains: let nothing move before the camera, keep other light steady, and set the "
            "exposure to two or more whole periods of the projector's picture (1/30 s or longer)"
        )

    def _pairs(self, ready_s: float) -> Iterator[tuple[Shot, Shot]]:
        """Neighbouring photographs that are two and not one delivered twice, the later of which came late enough."""
        witness = self._witness if self._still_shown() else None
        moment_s = witness.arrived_s if witness else ready_s - _LEAD_FRAMES * self._camera.frame_s
        repeats = tries = 0
        while tries < _TRIES or moment_s < ready_s + _LONGEST_S:
            tries += 1
            shot = self._camera.next_shot(moment_s)
            moment_s = shot.arrived_s
            repeats = repeats + 1 if witness is not None and np.array_equal(shot.photo, witness.photo) else 0
            if 0 < repeats < _SAME_AGAIN:
                continue
            if witness is not None and moment_s >= ready_s:
                yield witness, shot
            witness, repeats = shot, 0

    def _still_shown(self) -> bool:
        return self._accepted is not None and self._accepted[0] is self._display.shown

    def _agrees(self, differences: list[float]) -> bool:
        """Whether the last two photographs show the same, or all of them are equally noisy."""
        if self._agreement.within_noise(differences[-1]):
            return True
        last = differences[-_AT_REST:]
        if len(last) < _AT_REST or not self._agreement.may_be_noise(last):
            return False
        self._agreement = self._agreement.used_to(max(last))
        return True

    def _is_new(self, shot: Shot) -> bool:
        """Whether a photograph is clearly another than the last accepted one, or need not be.

        One of the picture before with a trace of this one would be neither the same nor clearly another.
        """
        if self._accepted is None or self._still_shown():
            return True
        return self._agreement.clearly_differ(shot.photo, self._accepted[1])

    def _stale(self, shot: Shot, ready_s: float) -> bool:
        """Whether a photograph still shows the picture before."""
        if self._accepted is None or self._still_shown():
            return False
        shown, photo = self._accepted
        if not self._agreement.same(shot.photo, photo):
            return False
        if shot.arrived_s < ready_s + _STALE_S:
            return True
        if self._display.shown is not None and _mean_change(shown, self._display.shown) < _CHANGE_CODES:
            return False  # so small a change may well be invisible
        raise DeviceError(
            f"the camera still sees the picture before, {shot.arrived_s - self._display.shown_s:.1f} s after it "
            "changed: check that the projector follows (no freeze, no other window before it), that the camera's "
            "picture is live, and that its exposure is long enough to tell patterns apart"
        )

    def _accept(self, shot: Shot) -> Photo:
        assert self._display.shown is not None  # a photograph is taken of something
        self._accepted, self._witness = (self._display.shown, shot.photo), shot
        self.accepted_s = shot.arrived_s
        return shot.photo


def _mean_change(one: Frame, other: Frame) -> float:
    cells = [cell_means(frame) for frame in (one, other)]
    grey = [cell.mean(axis=2) if cell.ndim == 3 else cell for cell in cells]
    return float(np.abs(grey[0] - grey[1]).mean())
