"""The camera that was opened, in one line: what it is, what is locked, how quick it is, and what to do next."""

from dataclasses import dataclass
from textwrap import shorten

from rigwarp.capture import SynchronisedBench
from rigwarp.devices import OneShotCamera
from rigwarp.devices.camera_controls import CONTROLS
from rigwarp.devices.photo_command import is_command
from rigwarp.devices.video_camera import control_advice
from rigwarp.talk.hosts import without_password
from rigwarp.words import short_number

_LONGEST = 80  # of a command in the line


@dataclass(frozen=True, kw_only=True)
class CameraState:
    """A camera at work.

    Attributes
    ----------
    device : as rig.toml names it.
    resolution : (width, height) in pixels.
    exposure_s : None when it is unknown.
    locked, unlocked : which controls were fixed, and which may change by themselves.
    latency_s, latency_max_s : from a picture shown to its photograph; None where nothing had to be measured.
    frame_s : from one photograph to the next; None where it does not deliver by itself.
    photo_s, settle_s : how long one photograph takes where it is asked for, and the pause before it; None where it
        delivers by itself.
    advice : the next step.
    """

    device: str
    resolution: tuple[int, int]
    exposure_s: float | None
    locked: tuple[str, ...]
    unlocked: tuple[str, ...]
    latency_s: float | None
    latency_max_s: float | None
    frame_s: float | None
    photo_s: float | None
    settle_s: float | None
    advice: str

    def line(self) -> str:
        """For people."""
        parts = [f"{shorten(self.device, _LONGEST)}, {self.resolution[0]} x {self.resolution[1]}"]
        if self.frame_s is not None:
            parts.append(f"{short_number(1.0 / self.frame_s)} pictures a second")
        if self.latency_s is not None and self.latency_max_s is not None:
            usual_ms, most_ms = 1000 * self.latency_s, 1000 * self.latency_max_s
            parts.append(f"{usual_ms:.0f} ms from display to camera, at most {most_ms:.0f}")
        if self.photo_s is not None:
            pause = f", {short_number(self.settle_s, 2)} s after each change" if self.settle_s else ""
            parts.append(f"{short_number(self.photo_s, 2)} s a photograph{pause}")
        exposed = "" if self.exposure_s is None else f" ({short_number(1000 * self.exposure_s)} ms)"
        locked = ", ".join(f"{name}{exposed if name == 'exposure' else ''}" for name in self.locked)
        parts.append(f"locked: {locked or 'nothing'}")
        return f"{'; '.join(parts)}. Next: {self.advice}"


def camera_state(bench: SynchronisedBench, device: int | str) -> CameraState:
    """Of an opened bench."""
    camera, latency = bench.camera, bench.latency
    return CameraState(
        device=without_password(str(device)),
        resolution=camera.resolution,
        exposure_s=camera.exposure_s,
        locked=tuple(name for name in CONTROLS if name not in camera.unlocked),
        unlocked=camera.unlocked,
        latency_s=latency.median_s if latency else None,
        latency_max_s=latency.max_s if latency else None,
        frame_s=latency.frame_s if latency else None,
        photo_s=camera.photo_s if isinstance(camera, OneShotCamera) else None,
        settle_s=camera.settle_s if isinstance(camera, OneShotCamera) else None,
        advice=_advice(camera.unlocked, device),
    )


def _advice(unlocked: tuple[str, ...], device: int | str) -> str:
    by_driver = "" if is_command(device) else control_advice(device)
    if by_driver:
        return by_driver
    if not unlocked:
        return "nothing to be done"
    where = "by its command, or at the camera" if is_command(device) else "at the camera"
    return f"fix {', '.join(unlocked)} {where}; one that has no such setting measures less well"
