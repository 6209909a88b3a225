"""quick.npz: what a quick look at a good rig showed, in the folder of the result that it showed."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.camera_file import CAMERA_SHAPES
from rigwarp.files.reading import Field, read_npz, refuse
from rigwarp.verification.drift.quick import QuickState

FORMAT: Final = "rigwarp quick look"
_ADVICE = "Make it with: rigwarp verify"
_FULL = 65535
_CAMERA = {name: Field(kind="f", dtype=np.float64, shape=shape) for name, shape in CAMERA_SHAPES.items()}
_LOOK = {
    "ids": Field(kind="i", dtype=np.int32, shape=("K",)),
    "table_mm": Field(kind="f", dtype=np.float64, shape=("K", 2)),
    "sigma_mm": Field(kind="f", dtype=np.float64, shape=("K",)),
    "flux": Field(kind="f", dtype=np.float64, shape=("K",)),
    "pixels_px": Field(kind="f", dtype=np.float64, shape=("K", 2)),
    "zone": Field(kind="i", dtype=np.int64, shape=("K",)),
    "mounting": Field(kind="f", dtype=np.float64, shape=(12,)),
}
_AMBIENT = {"ambient": Field(kind="iu", dtype=np.uint16, shape=("H", "W"))}


def write_quick(path: Path, state: QuickState, *, rig_hash: str, replace: bool = False) -> None:
    """Write a quick look whole; the picture by room light is kept in 16 bits of linear light."""
    header = {
        "rig_hash": rig_hash,
        "exposure_s": state.exposure_s if np.isfinite(state.exposure_s) else None,
        "units": {"table_mm": "mm", "pixels_px": "projector pixels", "ambient": "linear light, 65535 = full scale"},
    }
    arrays = {name: getattr(state.camera, name) for name in _CAMERA}
    arrays |= {name: getattr(state, name) for name in _LOOK}
    arrays["ambient"] = np.rint(np.clip(state.ambient, 0.0, 1.0) * _FULL).astype(np.uint16)
    write_npz(path, arrays, format=FORMAT, header=header, replace=replace)


def read_quick_file(path: Path) -> tuple[QuickState, dict[str, Any]]:
    """The quick look in a file, and the file's header.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, or says something that no look at a table can show.
    """
    arrays, header = read_npz(path, {**_CAMERA, **_LOOK, **_AMBIENT}, format=FORMAT, make_with=_ADVICE)
    height, width = arrays["ambient"].shape
    try:
        camera = CameraModel(resolution=(width, height), **{name: arrays[name] for name in _CAMERA})
    except InputError as error:
        raise InputError(f"{path}: {error}. {_ADVICE}") from error
    numbers = [arrays[name] for name in ("table_mm", "sigma_mm", "flux", "pixels_px", "mounting")]
    wrong = {
        "no dots": len(arrays["ids"]) == 0,
        "numbers of dots that do not increase": bool((np.diff(arrays["ids"]) <= 0).any() or (arrays["ids"] < 0).any()),
        "a value that is not a finite number": not all(np.isfinite(values).all() for values in numbers),
        "a dot without light": bool((arrays["flux"] <= 0.0).any()),
        "a sigma that is not positive": bool((arrays["sigma_mm"] <= 0.0).any()),
        "a zone below 0": bool((arrays["zone"] < 0).any()),
    }
    refuse(path, wrong, expected=f"a look at the table. {_ADVICE}")
    exposure = header.get("exposure_s")
    state = QuickState(
        camera=camera,
        ambient=(arrays["ambient"] / np.float32(_FULL)).astype(np.float32),
        exposure_s=float(exposure) if isinstance(exposure, float) else float("nan"),
        **{name: arrays[name] for name in _LOOK},
    )
    return state, header
