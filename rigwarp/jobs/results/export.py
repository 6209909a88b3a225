"""Results for other programs and for the workshop, in open formats."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files import (
    WARP_FORMATS,
    RigFolder,
    current_result,
    new_export,
    read_adjustment,
    read_as_built,
    write_warp_files,
)
from rigwarp.files.atomic import write_npz, write_text
from rigwarp.files.names import ADJUST_FILE
from rigwarp.files.records import AsBuiltRecord
from rigwarp.jobs.results.export_mould import export_mould, told
from rigwarp.jobs.view.mirror_result import mirror_result
from rigwarp.live.measured_warp import measured_warp
from rigwarp.prewarp import UNCHANGED, Adjustment, plain_warp

THICKNESS_MM: Final = 6.0
"""Of the plate under a mould: stiff enough to be printed and clamped."""


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
    thickness_mm: float

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
    thickness_mm: float = THICKNESS_MM,
    view_mirror: int | None = None,
) -> Exported:
    """Write the current result in a format of `WARP_FORMATS` or `FORMATS`.

    Parameters
    ----------
    out : file, or folder for a warp; by default in the result folder.
    replace : whether an older export may be replaced.
    correction : whether a warp includes the correction by hand.
    share, without_power, thickness_mm : for a mould; see `export_mould`.
    view_mirror : number of the view's mirror to write instead of the projector's.

    Raises
    ------
    InputError
        For another format, a missing or damaged result, or one that does not tell what is asked for.
    """
    if format not in (*WARP_FORMATS, *FORMATS):
        raise InputError(f"--format: found {format!r}, expected one of {', '.join((*WARP_FORMATS, *FORMATS))}.")
    if view_mirror is not None:
        if format in WARP_FORMATS:
            raise InputError(f"--view-mirror: found --format {format}, expected one of {', '.join(FORMATS)}.")
        folder, result = mirror_result(folder, view_mirror)
    else:
        result = current_result(folder.root)
    if format in WARP_FORMATS:
        facts = export_warp(folder, result, format, out=out, replace=replace, correction=correction)
    else:
        request = Request(
            folder=folder,
            result=result,
            out=out,
            replace=replace,
            share=share,
            without_power=without_power,
            thickness_mm=thickness_mm,
        )
        facts = FORMATS[format](request)
    return Exported(format=format, file=facts["file"], facts=facts)


def _mould(request: Request, drawing: str = "svg") -> dict[str, Any]:
    return export_mould(
        request.folder,
        request.result,
        out=request.out,
        replace=request.replace,
        share=request.share,
        without_power=request.without_power,
        thickness_mm=request.thickness_mm,
        drawing=drawing,
    )


def _deviation_npz(request: Request) -> dict[str, Any]:
    arrays, numbers = read_as_built(request.result)
    path = request.path("deviation.npz")
    signs = AsBuiltRecord.from_dict(numbers).sign
    sign = told(request.result, "sign.height", None if signs is None else signs.height)
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
    "mould-dxf": partial(_mould, drawing="dxf"),
    "deviation-npz": _deviation_npz,
    "deviation-csv": _deviation_csv,
}
"""Format -> what writes it."""


def export_warp(
    folder: RigFolder, result: Path, format: str, *, out: Path | None, replace: bool, correction: bool
) -> dict[str, Any]:
    """Write the warp into a folder of its own.

    Parameters
    ----------
    folder, result : the rig and the result whose warp it is.
    format : one of `WARP_FORMATS`.
    out : the folder to make; by default `warp-FORMAT` in the result.
    replace : whether an older export of this name may be replaced.
    correction : whether the correction by hand is included.
    """
    adjustment = _adjustment(folder) if correction else UNCHANGED
    measured = measured_warp(folder)
    prewarp = measured.prewarp
    target = out or result / f"warp-{format}"
    about = {
        "name": folder.rig.name,
        "result": result.name,
        "warp": format,
        "experimental": format == "mpcdi",
        "rig_hash": folder.rig_hash,
        "corrected_by_hand": adjustment != UNCHANGED,
        "projector_resolution": prewarp.projector_resolution,
        "content_pixels": prewarp.content_pixels,
        "rigwarp": rigwarp.__version__,
    }
    with new_export(target, about, replace=replace) as unfinished:
        warp = plain_warp(prewarp, folder.rig.content, adjustment)
        write_warp_files(unfinished, warp, format, about)
    return {
        "file": target,
        "warp_file": target / WARP_FORMATS[format].file,
        "corrected_by_hand": about["corrected_by_hand"],
        "lit_pixels": int(np.count_nonzero(warp.lit)),
        "mesh_error_px": warp.prewarp.mesh_error_px,
        "note": measured.note,
    }


def _adjustment(folder: RigFolder) -> Adjustment:
    """The correction by hand; one that cannot be read is not left out in silence."""
    path = folder.root / ADJUST_FILE
    if not path.exists():
        return UNCHANGED
    try:
        return read_adjustment(path)[0]
    except InputError as error:
        raise InputError(f"{error} Or leave it out of the export with --no-correction.") from None
