"""as_built.npz and as_built.json: how the built mirror strays from the design."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json, write_npz
from rigwarp.files.reading import Field, read_json, read_npz

if TYPE_CHECKING:  # the estimator is needed only to name its result
    from rigwarp.as_built import AsBuilt

FORMAT = "rigwarp as built"
GRID_FILE = "as_built.npz"
FIGURES_FILE = "as_built.json"
_FIELDS = {
    "x_mm": Field(kind="f", dtype=np.float64, shape=("nx",)),
    "y_mm": Field(kind="f", dtype=np.float64, shape=("ny",)),
    **{
        name: Field(kind="f", dtype=np.float64, shape=("ny", "nx"))
        for name in ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")
    },
    "zone": Field(kind="i", dtype=np.int16, shape=("ny", "nx")),
}


def write_as_built(folder: Path, as_built: "AsBuilt") -> None:
    """Write the grid (as_built.npz) and the figures (as_built.json) into a result folder."""
    header = {
        "frame": "mirror, after the best rigid alignment of built to design; height along z, + towards the light",
        "units": {"x_mm": "mm", "y_mm": "mm", "height_um": "um", "slope_x_mrad": "mrad", "slope_y_mrad": "mrad"},
    }
    arrays: dict[str, NDArray[Any]] = {
        name: np.asarray(getattr(as_built, name), field.dtype) for name, field in _FIELDS.items()
    }
    write_npz(folder / GRID_FILE, arrays, format=FORMAT, header=header)
    write_json(folder / FIGURES_FILE, as_built.to_dict(), format=FORMAT)


def read_as_built(folder: Path) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """The grid arrays by name and the figures of a result.

    Raises
    ------
    InputError
        If a file is missing, damaged or foreign, or the grid is none.
    """
    make_with = "Make it with: rigwarp fit RIG"
    grid, _ = read_npz(folder / GRID_FILE, _FIELDS, format=FORMAT, make_with=make_with)
    for axis in ("x_mm", "y_mm"):
        if len(grid[axis]) < 2 or not (np.diff(grid[axis]) > 0.0).all():
            raise InputError(f"{folder / GRID_FILE}: found {axis} that does not increase, expected a grid. {make_with}")
    return grid, read_json(folder / FIGURES_FILE, format=FORMAT, make_with=make_with)
