"""prewarp.npz: content coordinates per pixel, mesh and gain that a renderer needs."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_npz
from rigwarp.files.reading import Field, array_in, read_npz, resolution_in
from rigwarp.prewarp import Prewarp
from rigwarp.rig import Transfer

FORMAT = "rigwarp prewarp"
_GAIN = Field(kind="f", dtype=np.float32, shape=("H", "W"))
_FIELDS = {
    "vertices_px": Field(kind="f", dtype=np.float64, shape=("N", 2)),
    "content_px": Field(kind="f", dtype=np.float64, shape=("N", 2)),
    "triangles": Field(kind="i", dtype=np.int32, shape=("M", 3)),
    "triangle_zone": Field(kind="i", dtype=np.int16, shape=("M",)),
    "zone": Field(kind="i", dtype=np.int16, shape=("H", "W")),
    "gain": _GAIN,
}
_MAKE = "rigwarp fit"
_MAY_LACK = {
    # only where light was measured, and evened out by a version that keeps what it did it with
    "light": _GAIN,
    "bare_gain": _GAIN,
    # older versions kept the mesh alone
    "canvas_px": Field(kind="f", dtype=np.float32, shape=("H", "W", 2)),
}


def write_prewarp(path: Path, prewarp: Prewarp, *, extra: Mapping[str, Any] | None = None) -> None:
    """Write a prewarp; `extra` (rig hash, scan) is added to the header."""
    told = ("projector_resolution", "content_pixels", "transfer", "mesh_error_px")
    header = {**{name: getattr(prewarp, name) for name in told}, **(extra or {})}
    arrays = {name: getattr(prewarp, name) for name in (*_FIELDS, *_MAY_LACK)}
    arrays = {name: array for name, array in arrays.items() if array is not None}
    write_npz(path, arrays, format=FORMAT, header=header)


def read_prewarp(path: Path, *, make_with: str = "") -> Prewarp:
    """The prewarp in a file.

    Raises
    ------
    InputError
        If the file is missing, damaged or foreign, or could not be drawn as it stands.
    """
    arrays, header = read_npz(path, _FIELDS, format=FORMAT, make_with=make_with, optional=_MAY_LACK)
    prewarp = Prewarp(
        **arrays,
        projector_resolution=resolution_in(path, header, "projector_resolution", make_with=_MAKE),
        content_pixels=resolution_in(path, header, "content_pixels", make_with=_MAKE),
        transfer=_transfer(path, header),
        mesh_error_px=float(array_in(path, header, "mesh_error_px", (), make_with=_MAKE)),
    )
    _check(path, prewarp)
    return prewarp


def _transfer(path: Path, header: Mapping[str, Any]) -> Transfer:
    if header.get("transfer") == "srgb":
        return "srgb"
    power = float(array_in(path, header, "transfer", (), make_with=_MAKE))
    if power <= 0.0:
        raise _wrong(path, f"transfer {power:g}", 'a positive power or "srgb"')
    return power


def _check(path: Path, prewarp: Prewarp) -> None:
    width, height = prewarp.projector_resolution
    if prewarp.gain.shape != (height, width):
        raise _wrong(path, f"a gain of shape {prewarp.gain.shape}", f"{height} x {width}, the projector's resolution")
    if not (np.isfinite(prewarp.vertices_px).all() and np.isfinite(prewarp.content_px).all()):
        raise _wrong(path, "a mesh vertex that is not a finite number", "finite ones")
    if prewarp.triangles.size and not 0 <= prewarp.triangles.min() <= prewarp.triangles.max() < len(
        prewarp.vertices_px
    ):
        raise _wrong(path, "a triangle with a vertex that is not there", "vertex numbers of this mesh")
    gains = [gain for gain in (prewarp.gain, prewarp.bare_gain) if gain is not None]
    if not all(np.isfinite(gain).all() and (gain >= 0.0).all() for gain in gains):
        raise _wrong(path, "a gain that is negative or not a finite number", "0 or more")
    if prewarp.light is not None and not (np.isfinite(prewarp.light).all() and (prewarp.light > 0.0).all()):
        raise _wrong(path, "light that is not a positive number", "more than 0")

    if prewarp.canvas_px is not None and not np.isfinite(prewarp.canvas_px[prewarp.gain > 0.0]).all():
        raise _wrong(path, "a lit pixel without a content pixel", "one for each")


def _wrong(path: Path, found: str, expected: str) -> InputError:
    return InputError(f"{path}: found {found}, expected {expected}. Make the file again with: {_MAKE}")
