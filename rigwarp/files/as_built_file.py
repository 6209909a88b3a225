"""as_built.npz and as_built.json: the built mirror against its design."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.files.atomic import write_json, write_npz
from rigwarp.files.names import AS_BUILT_ARRAYS_FILE, AS_BUILT_FILE
from rigwarp.files.reading import Field, read_json, read_npz, refuse
from rigwarp.files.records.as_built import GRIDS

if TYPE_CHECKING:
    from rigwarp.as_built import AsBuilt

FORMAT = "rigwarp as built"
_GRID = ("ny", "nx")
_FIELDS = {
    "x_mm": Field(kind="f", dtype=np.float64, shape=("nx",)),
    "y_mm": Field(kind="f", dtype=np.float64, shape=("ny",)),
    **dict.fromkeys(GRIDS, Field(kind="f", dtype=np.float64, shape=_GRID)),
    "zone": Field(kind="i", dtype=np.int16, shape=_GRID),
}
_ADVICE = "Make it with: rigwarp fit"


def write_as_built(
    folder: Path, result: "AsBuilt", *, extra: Mapping[str, Any] | None = None, replace: bool = False
) -> None:
    """Write as_built.npz and as_built.json into a folder; `extra` (rig hash, scan) goes into both."""
    header = {
        "frame": "mirror, after rigid alignment of built to design",
        "index": "[y, x]; NaN outside the lit footprint",
        "sign": "built minus design along the mirror's z axis, + towards the reflecting side",
        "units": {"x_mm": "mm", "y_mm": "mm", "height_um": "um", "height_sigma_um": "um", "slope_x_mrad": "mrad"},
        **(extra or {}),
    }
    arrays = {name: getattr(result, name) for name in _FIELDS}
    write_npz(Path(folder) / AS_BUILT_ARRAYS_FILE, arrays, format=FORMAT, header=header, replace=replace)
    numbers = {**(extra or {}), **result.to_dict()}
    write_json(Path(folder) / AS_BUILT_FILE, numbers, format=FORMAT, replace=replace)


def read_as_built(folder: Path) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """The arrays of as_built.npz and the contents of as_built.json.

    Raises
    ------
    InputError
        If a file is missing, damaged or foreign, or the arrays contradict each other.
    """
    path = Path(folder) / AS_BUILT_ARRAYS_FILE
    arrays, _ = read_npz(path, _FIELDS, format=FORMAT, make_with=_ADVICE)
    _check(path, arrays)
    return arrays, read_json(Path(folder) / AS_BUILT_FILE, format=FORMAT, make_with=_ADVICE)


def _check(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    lit = np.isfinite(arrays["height_um"])
    wrong = {
        "grid lines that do not increase": any(
            not (np.isfinite(arrays[k]).all() and (np.diff(arrays[k]) > 0.0).all()) for k in ("x_mm", "y_mm")
        ),
        "no height at all": not lit.any(),
        "an infinite height": bool(np.isinf(arrays["height_um"]).any()),
        "a height without its sigma": not np.isfinite(arrays["height_sigma_um"][lit]).all(),
        "a negative sigma": bool((arrays["height_sigma_um"][lit] < 0.0).any()),
        "a height where the zone says there is none": bool((arrays["zone"][lit] < 0).any()),
    }
    refuse(path, wrong, expected=f"a map of the mirror. {_ADVICE}")
