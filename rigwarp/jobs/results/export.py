"""Results for other programs and for the workshop, in open formats."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from rigwarp.as_built.describe.mould import check_zones, corrected_mesh, correction_of, surface_mesh
from rigwarp.errors import InputError
from rigwarp.files import WARP_FORMATS, RigFolder, current_result, read_as_built, write_stl
from rigwarp.files.atomic import write_npz, write_text
from rigwarp.files.names import AS_BUILT_FILE
from rigwarp.files.records import AsBuiltRecord
from rigwarp.jobs.design import design_model
from rigwarp.jobs.results.export_warp import export_warp
from rigwarp.rig import MeshShape

_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True)
class Exported:
    """What was written: the file or folder, and what to know of it by name."""

    format: str
    file: Path
    facts: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Request:
    """What was asked for, from which result."""

    folder: RigFolder
    result: Path
    out: Path | None
    replace: bool
    share: float
    without_power: bool

    def path(self, name: str) -> Path:
        """Where to write: the file given, or one of this name in the result folder."""
        return self.out or self.result / name


def export_current(
    folder: RigFolder,
    format: str,
    *,
    out: Path | None = None,
    replace: bool = False,
    correction: bool = True,
    share: float = 0.8,
    without_power: bool = False,
) -> Exported:
    """Write the current result in a format of `WARP_FORMATS` or `FORMATS`.

    Parameters
    ----------
    out : file, or folder for a warp; by default in the result folder.
    replace : whether an older export may be replaced.
    correction : whether a warp includes the correction by hand.
    share, without_power : for a mould; see `correction_of`.

    Raises
    ------
    InputError
        For another format, a missing or damaged result, or one that does not tell what is asked for.
    """
    if format not in (*WARP_FORMATS, *FORMATS):
        raise InputError(f"--format: found {format!r}, expected one of {', '.join((*WARP_FORMATS, *FORMATS))}.")
    result = current_result(folder.root)
    if format in WARP_FORMATS:
        facts = export_warp(folder, result, format, out=out, replace=replace, correction=correction)
    else:
        request = Request(
            folder=folder, result=result, out=out, replace=replace, share=share, without_power=without_power
        )
        facts = FORMATS[format](request)
    return Exported(format=format, file=facts["file"], facts=facts)


def _mould(request: Request) -> dict[str, Any]:
    arrays, numbers = read_as_built(request.result)
    built = AsBuiltRecord.from_dict(numbers)
    model = design_model(request.folder)
    correction = correction_of(
        x_mm=arrays["x_mm"],
        y_mm=arrays["y_mm"],
        height_um=arrays["height_um"],
        sigma_um=arrays["height_sigma_um"],
        zone=arrays["zone"],
        reflecting_side=_told(request.result, "sign.reflecting_side_along_mirror_z", built.reflecting_side),
        power_determined=_told(
            request.result, "power.determined", None if built.power is None else built.power.determined
        ),
        share=request.share,
        without_power=request.without_power,
    )
    check_zones(model, correction)
    shape = request.folder.rig.mirror.shape
    if isinstance(shape, MeshShape):
        mesh = corrected_mesh(request.folder.meshes[shape.file], model, correction)
    else:
        mesh = surface_mesh(model, correction)
    path = request.path("corrected_mould.stl")
    write_stl(path, mesh, replace=request.replace)
    return {
        "file": path,
        "share": request.share,
        "correction_rms_um": correction.rms_um,
        "correction_largest_um": correction.largest_um,
        "triangles": len(mesh.faces),
    }


def _told(result: Path, key: str, value: _T | None) -> _T:
    """A value of as_built.json, which a file that was changed by hand may lack."""
    if value is None:
        raise InputError(f"{result / AS_BUILT_FILE}: {key}: found nothing usable. Make the result again: rigwarp fit")
    return value


def _deviation_npz(request: Request) -> dict[str, Any]:
    arrays, numbers = read_as_built(request.result)
    path = request.path("deviation.npz")
    signs = AsBuiltRecord.from_dict(numbers).sign
    sign = _told(request.result, "sign.height", None if signs is None else signs.height)
    header = {"frame": "mirror, after rigid alignment of built to design", "sign": sign}
    write_npz(path, arrays, format="rigwarp deviation", header=header, replace=request.replace)
    return {"file": path, "points": int(np.isfinite(arrays["height_um"]).sum())}


def _deviation_csv(request: Request) -> dict[str, Any]:
    arrays, _ = read_as_built(request.result)
    names = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")
    lit = np.isfinite(arrays["height_um"])
    x, y = np.meshgrid(arrays["x_mm"], arrays["y_mm"])
    columns = [x[lit], y[lit], *(arrays[name][lit] for name in names)]
    lines = [",".join(("x_mm", "y_mm", *names))]
    lines += [",".join(f"{value:.6g}" for value in row) for row in zip(*columns, strict=True)]
    path = request.path("deviation.csv")
    write_text(path, "\n".join(lines) + "\n", replace=request.replace)
    return {"file": path, "points": int(lit.sum())}


FORMATS: Final[dict[str, Callable[[Request], dict[str, Any]]]] = {
    "mould": _mould,
    "deviation-npz": _deviation_npz,
    "deviation-csv": _deviation_csv,
}
"""Format -> what writes it."""
