"""The rig's camera for looking through, without a display."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.devices import VIRTUAL, Camera, Display, open_virtual
from rigwarp.files import RigFolder
from rigwarp.jobs.bench.live_bench import camera_and_sheet

_CODE = 160
"""Of the grey that a virtual projector shows: seen, and nothing burns out."""


@dataclass(frozen=True, kw_only=True)
class CameraView:
    """An open camera; its model where camera.json has one for this picture; at what height the sheet's print lay."""

    camera: Camera
    model: CameraModel | None
    sheet_height_mm: float


@contextmanager
def camera_view(folder: RigFolder) -> Iterator[CameraView]:
    """Open the camera that the rig file names; a virtual one sees its table evenly lit.

    Raises
    ------
    DeviceError
        If there is none, or somebody else uses it.
    """
    camera, display = rig_camera(folder)
    if display is not None:
        width, height = display.resolution
        display.show(np.full((height, width), _CODE, np.uint8))
    model, sheet_height_mm = camera_and_sheet(folder, camera.resolution)
    with closing(camera):
        yield CameraView(camera=camera, model=model, sheet_height_mm=sheet_height_mm)


def rig_camera(folder: RigFolder) -> tuple[Camera, Display | None]:
    """The camera that the rig file names, without a window; with a virtual one the display that it sees."""
    wanted = folder.rig.camera
    if wanted.device == VIRTUAL:
        virtual = open_virtual(folder)
        virtual.prepare()  # now, not while a show stands still
        return virtual.camera, virtual.display
    from rigwarp.devices.open_camera import open_camera

    return open_camera(wanted.device, wanted.resolution, wanted.channel), None
