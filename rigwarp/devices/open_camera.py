"""A rig's real camera, of whatever kind camera.device names."""

from rigwarp.devices.photo_command import is_command
from rigwarp.devices.protocols import Camera

GENICAM = "genicam:"


def open_camera(device: int | str, resolution: tuple[int, int]) -> Camera:
    """Open a camera by index, device path, address, "genicam:ID", or the command that takes a photograph.

    Raises
    ------
    InputError
        If a command cannot be what is meant.
    DeviceError
        If there is no such camera, it is busy or silent, or has another resolution; or its command has not been
        agreed to.
    """
    if is_command(device):
        from rigwarp.devices.command_camera import open_command_camera

        return open_command_camera(str(device), resolution)
    if str(device).startswith(GENICAM):
        from rigwarp.devices.genicam_camera import open_genicam_camera

        return open_genicam_camera(str(device), resolution)
    from rigwarp.devices.video_camera import open_video_camera

    return open_video_camera(device, resolution)
