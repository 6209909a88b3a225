"""as_built.npz as far as it can be drawn."""

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.reading import read_bytes
from rigwarp.geometry import Array

_GRIDS: Final = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")


@dataclass(frozen=True, kw_only=True)
class MirrorGrid:
    """The built mirror less its design on a grid, mirror frame; None where the file lacks an array, NaN outside.

    Attributes
    ----------
    x_mm, y_mm : (nx,), (ny,).
    height_um, height_sigma_um, slope_x_mrad, slope_y_mrad : (ny, nx).
    """

    x_mm: Array
    y_mm: Array
    height_um: Array | None = None
    height_sigma_um: Array | None = None
    slope_x_mrad: Array | None = None
    slope_y_mrad: Array | None = None


def read_mirror_grid(path: Path) -> MirrorGrid:
    """The arrays of an as-built file that agree with each other, of any version.

    Raises
    ------
    InputError
        If the file is missing or damaged, or has no grid.
    """
    data = read_bytes(path)
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            arrays = {
                name: np.asarray(archive[name], float) for name in ("x_mm", "y_mm", *_GRIDS) if name in archive.files
            }
    except Exception as error:  # numpy and zipfile raise a dozen kinds on damaged archives
        raise InputError(f"{path}: not a readable npz file ({type(error).__name__}). Make the result again.") from error
    x, y = arrays.pop("x_mm", None), arrays.pop("y_mm", None)
    if x is None or y is None or x.ndim != 1 or y.ndim != 1 or min(len(x), len(y)) < 2:
        raise InputError(f"{path}: found no grid x_mm, y_mm in it. Make the result again.")
    shape = (len(y), len(x))
    return MirrorGrid(x_mm=x, y_mm=y, **{name: array for name, array in arrays.items() if array.shape == shape})
