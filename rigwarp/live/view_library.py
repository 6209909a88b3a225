"""The measured view of a rig folder, for programs that follow hands and things on the table."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from rigwarp.files import current_view, open_rig, read_view_map
from rigwarp.files.names import VIEW_MAP_FILE
from rigwarp.geometry import Array, ViewMap
from rigwarp.view import height_of, pixels_of, points


@dataclass(frozen=True, kw_only=True)
class LoadedView:
    """A view's map. Make it with `rigwarp.load_view`.

    Attributes
    ----------
    run : the folder that it was read from.
    map : the map over the camera's raw pixels, which are never flipped: a zone seen over one mirror is mirror-reversed.
    lean_sigma : 1-sigma per axis of the lean of lines of sight, mm per mm.
    """

    run: Path
    map: ViewMap
    lean_sigma: float

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
            lean_sigma=self.lean_sigma,
        )

    def pixels(self, mm: ArrayLike, height_mm: float = 0.0) -> dict[int, Array]:
        """Zone -> (..., 2) raw pixel at which it sees places (..., 2); NaN where it does not."""
        places = np.asarray(mm, float)
        found = pixels_of(self.map, places, height_mm=height_mm)
        return {int(z): px.reshape(places.shape) for z, px in zip(found.zones, found.pixels_px, strict=True)}

    def height(self, px1: ArrayLike, px2: ArrayLike, *, sigma_px: float = 0.0) -> tuple[Array, Array]:
        """Height over the table, and its 1-sigma, of what raw pixels (..., 2) of two zones both show, mm.

        NaN where a pixel does not see the table, or both are of one zone.
        """
        return height_of(self.map, px1, px2, sigma_px=sigma_px, lean_sigma=self.lean_sigma)


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
    view_map, header = read_view_map(run / VIEW_MAP_FILE, resolution=resolution)
    told = header.get("lean_sigma")
    return LoadedView(run=run, map=view_map, lean_sigma=float(told) if isinstance(told, int | float) else 0.0)
