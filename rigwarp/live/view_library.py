"""The measured view of a rig folder, for programs that follow hands and things on the table."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rigwarp.defaults import LOCAL
from rigwarp.files import current_view, open_rig
from rigwarp.files.maps import read_measured_view
from rigwarp.files.names import TOP_FILE, VIEW_MAP_FILE
from rigwarp.files.top_file import read_top
from rigwarp.geometry import Array, ViewMap
from rigwarp.live.view.points_out import TUIO_PORT, PointsOut
from rigwarp.live.view.ring import RingReader
from rigwarp.view import LeanDoubt, height_of, pixels_of, points
from rigwarp.view.top import TopMaps


@dataclass(frozen=True, kw_only=True)
class LoadedView:
    """A view's map. Make it with `rigwarp.load_view`.

    Attributes
    ----------
    run : the folder that it was read from.
    map : the map over the camera's raw pixels, which are never flipped: a zone seen over one mirror is mirror-reversed.
    lean_doubt : how well the lean of lines of sight is known.
    """

    run: Path
    map: ViewMap
    lean_doubt: LeanDoubt

    def points(
        self, px: ArrayLike, height_mm: ArrayLike = 0.0, *, height_sigma_mm: float = 0.0, sigma_px: float = 0.0
    ) -> tuple[Array, Array]:
        """Where what raw pixels (..., 2) show stands on the table, if it is `height_mm` high.

        `height_sigma_mm` and `sigma_px` are how well height and pixel are known, 1-sigma.

        Returns
        -------
        mm : (..., 2), NaN where the table is not seen.
        sigma_mm : (...) 1-sigma per axis.
        """
        return points(
            self.map,
            px,
            height_mm=height_mm,
            height_sigma_mm=height_sigma_mm,
            sigma_px=sigma_px,
            lean_doubt=self.lean_doubt,
        )

    @cached_property
    def maps(self) -> TopMaps:
        """The tables of the straight top view."""
        return read_top(self.run / TOP_FILE, resolution=self.map.resolution, make_with="Run: rigwarp view fit")

    def top(self, frame: NDArray[np.uint8], *, blend: bool = False) -> NDArray[np.uint8]:
        """A picture of the camera, (H, W) or (H, W, C), as the straight top view; `maps.top` says what it shows.

        Hard seams show nothing twice; `blend` mixes two zones, and doubles whatever stands on the table.
        """
        return self.maps.apply(frame, blend=blend)

    def reader(self, name: str) -> RingReader:
        """The live top view that `rigwarp view play RIG --share NAME` shares, for another process."""
        return RingReader(name)

    def sender(self, host: str = LOCAL, port: int = TUIO_PORT, *, tuio: bool = False) -> PointsOut:
        """Sends points to another program by OSC: `/rigwarp/point id x_mm y_mm sigma_mm`, or TUIO 1.1 cursors."""
        return PointsOut(self.maps.top, host=host, port=port, tuio=tuio)

    def pixels(self, mm: ArrayLike, height_mm: float = 0.0) -> dict[int, Array]:
        """Zone -> (..., 2) raw pixel at which it sees places (..., 2); NaN where it does not."""
        places = np.asarray(mm, float)
        found = pixels_of(self.map, places, height_mm=height_mm)
        return {int(z): px.reshape(places.shape) for z, px in zip(found.zones, found.pixels_px, strict=True)}

    def height(self, px1: ArrayLike, px2: ArrayLike, *, sigma_px: float = 0.0) -> tuple[Array, Array]:
        """Height over the table, and its 1-sigma, of what raw pixels (..., 2) of two zones both show, mm.

        NaN where a pixel does not see the table, or both are of one zone.
        """
        return height_of(self.map, px1, px2, sigma_px=sigma_px, lean_doubt=self.lean_doubt)


def load_view(rig: Path | str) -> LoadedView:
    """The current view of a rig folder.

    Raises
    ------
    InputError
        The folder is no rig, or has no finished view.
    """
    folder = open_rig(rig, without_projector=True)
    run = current_view(folder.root)
    resolution = None if folder.rig.view is None else folder.rig.view.resolution
    view_map, lean_doubt = read_measured_view(run / VIEW_MAP_FILE, resolution=resolution)
    return LoadedView(run=run, map=view_map, lean_doubt=lean_doubt)
