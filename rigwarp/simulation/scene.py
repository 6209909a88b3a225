"""The lit table: projected light, room light and haze, as the camera's lens receives them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.simulation.lens import TableView
from rigwarp.simulation.light_path import LightPath
from rigwarp.simulation.sensor import hazed
from rigwarp.simulation.table_top import TableTop
from rigwarp.simulation.transport import build_transport
from rigwarp.simulation.truth import RoomTruth


class Scene:
    """The light transport together with the table.

    Attributes
    ----------
    transport : (camera pixels, projector pixels) sparse operator, light sent to light received per pixel.
    white : typical projected white per area of a white table, in the transport's own unit: what radiance 1 stands for.
    """

    def __init__(
        self,
        path: LightPath,
        view: TableView,
        top: TableTop,
        room: RoomTruth,
        *,
        white: float | None = None,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        height, width = top.reflectance.shape
        self.transport = build_transport(path, view, (width, height), progress=progress)
        self._top = top
        self._room = room
        per_area = np.where(top.area_mm2 > 0.0, 1.0 / top.area_mm2, 0.0)
        everything = np.ones(self.transport.shape[1], np.float32)
        bright = (self.transport @ everything).reshape(height, width) * per_area
        lit = bright[(bright > 0.0) & (top.reflectance > 0.0)]
        if not lit.size:
            raise InputError(
                "virtual rig: the camera sees no projected light on the table. "
                "Check camera.position_mm and camera.aim_mm in virtual.toml, and the mirror in rig.toml."
            )
        self.white = float(np.median(lit)) if white is None else white
        self._per_light = (per_area / self.white).astype(np.float32)

    def radiance(
        self, light: NDArray[np.float32], *, daylight: float = 0.0, shade: NDArray[np.float32] | None = None
    ) -> NDArray[np.float32]:
        """(H, W) radiance for (h, w) light of the projector's pixels; 1 = typical projected white on a white table.

        `daylight` is room light beside the usual, as a share of projected white; `shade` (H, W) the share of all light
        that somebody in its way lets through.
        """
        irradiance = (self.transport @ light.ravel()).reshape(self._per_light.shape) * self._per_light
        lit = (irradiance + np.float32(self._room.ambient + daylight)) * self._top.reflectance
        return hazed(lit if shade is None else lit * shade, self._room.haze)
