"""A bench whose photographs certainly belong to what is shown."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from rigwarp.capture.latency import CHANGES, Latency, measure_latency
from rigwarp.capture.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.settled_camera import SettledCamera
from rigwarp.devices import Bench, StreamingCamera


@dataclass(frozen=True, kw_only=True)
class SettledBench(Bench):
    """A bench that keeps `Camera.grab`'s promise, and what was measured for it.

    Attributes
    ----------
    latency : None where nothing had to be measured: a virtual camera exposes when it is told to.
    """

    latency: Latency | None = None

    def facts(self) -> dict[str, Any]:
        """For the run's record."""
        return {
            "camera_unlocked": list(self.camera.unlocked),
            "latency": None
            if self.latency is None
            else {
                "median_s": self.latency.median_s,
                "max_s": self.latency.max_s,
                "frame_s": self.latency.frame_s,
                "changes": self.latency.changes,
            },
        }


def settle(
    bench: Bench,
    random: np.random.Generator,
    *,
    changes_per_s: float | None = CHANGES_PER_S,
    changes: int = CHANGES,
) -> SettledBench:
    """Measure a bench's latency, which takes ten seconds or so, and use it from then on.

    A bench whose camera exposes when it is told to is returned as it is: nothing is measured, and its display is not
    slowed down, for nobody watches a virtual one.

    Parameters
    ----------
    random : for the moments of the test light.
    changes_per_s : most changes of the picture in a second, the test light's included; None: as fast as possible.
    changes : how many changes of the test light are timed.

    Raises
    ------
    DeviceError, MeasurementError
        See `measure_latency`.
    """
    if not isinstance(bench.camera, StreamingCamera):
        return SettledBench(display=bench.display, camera=bench.camera)
    display = PacedDisplay(bench.display, changes_per_s=changes_per_s)
    latency = measure_latency(display, bench.camera, random, changes=changes)
    return SettledBench(display=display, camera=SettledCamera(bench.camera, display, latency), latency=latency)
