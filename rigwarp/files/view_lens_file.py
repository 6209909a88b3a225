"""view_lens.json: the lens of the view's camera, calibrated with the camera taken out of its housing."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_json
from rigwarp.files.reading import array_in, read_json, resolution_in
from rigwarp.rig import Lens

FORMAT = "rigwarp view lens"
_MAKE = "rigwarp view lens"
_SHAPES = {"matrix": (3, 3), "distortion": (5,), "sigma_px": ()}


def write_view_lens(
    path: Path,
    lens: Lens,
    *,
    resolution: tuple[int, int],
    extra: Mapping[str, Any] | None = None,
    replace: bool = False,
) -> None:
    """Write a lens for pictures of `resolution`; `extra` holds further keys, such as residuals and the photos used."""
    own = {"resolution": list(resolution), **{name: getattr(lens, name) for name in (*_SHAPES, "covariance")}}
    write_json(path, {**(extra or {}), **own}, format=FORMAT, replace=replace)


def read_view_lens(path: Path, *, resolution: tuple[int, int] | None = None) -> Lens:
    """The lens in a file; `resolution` is that of the camera that it has to be for.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, a key is missing, or it is for pictures of another size.
    """
    contents = read_json(path, format=FORMAT, make_with=f"Make it with: {_MAKE}")
    found = resolution_in(path, contents, make_with=_MAKE)
    if resolution not in (None, found):
        expected = " x ".join(map(str, resolution or ()))
        raise InputError(
            f"{path}: found a lens for pictures of {found[0]} x {found[1]}, expected the view's {expected}. "
            f"Make it again with: {_MAKE}"
        )
    arrays = {name: array_in(path, contents, name, shape, make_with=_MAKE) for name, shape in _SHAPES.items()}
    covariance = None
    if contents.get("covariance") is not None:  # a lens by an earlier rigwarp tells none
        covariance = array_in(path, contents, "covariance", (9, 9), make_with=_MAKE)
    sound = bool((np.diag(arrays["matrix"])[:2] > 0.0).all() and arrays["sigma_px"] >= 0.0)
    if covariance is not None:  # a covariance, but for rounding
        sound &= bool(np.linalg.eigvalsh(covariance)[0] >= -1e-9 * np.abs(np.diag(covariance)).max())
    if not sound:
        raise InputError(f"{path}: found no lens in it. Make it again with: {_MAKE}")
    return Lens(
        matrix=arrays["matrix"],
        distortion=arrays["distortion"],
        sigma_px=float(arrays["sigma_px"]),
        covariance=covariance,
    )
