"""A camera that takes a photograph when a command is run: stills cameras, board cameras, phones."""

import time
from typing import Any, Final

from numpy.typing import NDArray

from rigwarp.devices.camera_controls import CONTROLS
from rigwarp.devices.photo_command import EXPOSURE, EXPOSURE_US, GAIN, PhotoCommand, parse_command
from rigwarp.devices.picture_size import require_size
from rigwarp.devices.video_camera import as_grey
from rigwarp.errors import DeviceError
from rigwarp.files.trust import is_trusted
from rigwarp.geometry import Photo
from rigwarp.rig import Channel

SETTLE_S: Final = 0.3
"""From a picture shown until it stands on the table: projectors delay by some frames. It also keeps changes slow."""
_FIRST_EXPOSURE_S = 1 / 30  # two frames of a usual projector
_GAIN = "1"  # the least: longer exposures cost a still scene nothing


class CommandCamera:
    """Takes each photograph by a command of its own. Open it with `open_command_camera`.

    Attributes
    ----------
    resolution : (width, height) in pixels.
    unlocked : all that the command is not told; whether the camera keeps it, nobody here can know.
    settle_s : pause before each photograph.
    photo_s : how long the last photograph took, without the pause.
    """

    def __init__(
        self, command: PhotoCommand, name: str, resolution: tuple[int, int], channel: Channel = "grey"
    ) -> None:
        self._command = command
        self._name = name
        self._channel: Channel = channel
        self.resolution = resolution
        self._exposure_s = _FIRST_EXPOSURE_S if command.takes(EXPOSURE, EXPOSURE_US) else None
        told = {"exposure": self._exposure_s is not None, "gain": command.takes(GAIN)}
        self.unlocked: tuple[str, ...] = tuple(control for control in CONTROLS if not told.get(control))
        self.settle_s = SETTLE_S
        self.photo_s = 0.0

    @property
    def exposure_s(self) -> float | None:
        """The exposure time that the command is told, seconds; None when it takes none."""
        return self._exposure_s

    def set_exposure(self, seconds: float) -> float | None:
        """Tell the command another exposure time; None when it takes none."""
        if self._exposure_s is not None:
            self._exposure_s = seconds
        return self._exposure_s

    def grab(self) -> Photo:
        """Photograph what is shown now."""
        time.sleep(self.settle_s)
        return self.look()

    def look(self) -> Photo:
        """Take a photograph at once."""
        return as_grey(self.look_colour(), channel=self._channel)

    def look_colour(self) -> NDArray[Any]:
        """Take a photograph at once: (H, W) or (H, W, 3) BGR."""
        seconds = self._exposure_s or _FIRST_EXPOSURE_S
        values = {EXPOSURE: f"{seconds:.6g}", EXPOSURE_US: str(round(1e6 * seconds)), GAIN: _GAIN}
        start_s = time.monotonic()
        photo = self._command.shoot(values)
        self.photo_s = time.monotonic() - start_s
        require_size(self._name, photo.shape[1::-1], self.resolution)
        return photo

    def close(self) -> None:
        """Nothing is held between two photographs."""


def open_command_camera(device: str, resolution: tuple[int, int], channel: Channel = "grey") -> CommandCamera:
    """See that the user has agreed to the command, and that it takes photographs of the wanted size.

    Raises
    ------
    InputError
        If it is no such command.
    DeviceError
        If it has not been agreed to on this machine, fails, or delivers another size.
    """
    command = parse_command(device)
    if not is_trusted(command.text):
        raise DeviceError(
            f"camera.device in rig.toml is a command, which you have not agreed to on this machine. Read it, and "
            f"rigwarp check RIG --trust lets it be run: {command.text}"
        )
    camera = CommandCamera(command, "the camera's command", resolution, channel)
    camera.look()
    return camera
