"""Results for other programs and for the workshop, in open formats."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.defaults import THICKNESS_MM
from rigwarp.errors import InputError
from rigwarp.files import WARP_FORMATS, RigFolder, current_result, read_as_built
from rigwarp.files.atomic import write_npz, write_text
from rigwarp.files.records import AsBuiltRecord
from rigwarp.jobs.results.export_mould import export_mould, told
from rigwarp.jobs.results.export_warp import export_warp
from rigwarp.jobs.view.mirror_result import mirror_result

_DRAWINGS: Final = {"mould": "svg", "mould-dxf": "dxf"}
FORMATS: Final = (*_DRAWINGS, "deviation-npz", "deviation-csv")
"""Beside those of the warp."""


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
) -> dict[str, Any]:
    """Write the current result in a format of `WARP_FORMATS` or `FORMATS`; gives back its `file`, and facts by name.

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
        return export_warp(folder, result, format, out=out, replace=replace, correction=correction)
    if format in _DRAWINGS:
        return export_mould(
            folder,
            result,
            out=out,
            replace=replace,
            share=share,
            without_power=without_power,
            thickness_mm=thickness_mm,
            drawing=_DRAWINGS[format],
        )
    return (_deviation_npz if format.endswith("npz") else _deviation_csv)(result, out, replace)


def _deviation_npz(result: Path, out: Path | None, replace: bool) -> dict[str, Any]:
    arrays, numbers = read_as_built(result)
    path = out or result / "deviation.npz"
    signs = AsBuiltRecord.from_dict(numbers).sign
    sign = told(result, "sign.height", None if signs is None else signs.height)
    header = {"frame": "mirror, after rigid alignment of built to design", "sign": sign}
    write_npz(path, arrays, format="rigwarp deviation", header=header, replace=replace)
    return {"file": path, "points": int(np.isfinite(arrays["height_um"]).sum())}


def _deviation_csv(result: Path, out: Path | None, replace: bool) -> dict[str, Any]:
    arrays, _ = read_as_built(result)
    names = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")
    lit = np.isfinite(arrays["height_um"])
    x, y = np.meshgrid(arrays["x_mm"], arrays["y_mm"])
    columns = [x[lit], y[lit], *(arrays[name][lit] for name in names)]
    lines = [",".join(("x_mm", "y_mm", *names))]
    lines += [",".join(f"{value:.6g}" for value in row) for row in zip(*columns, strict=True)]
    path = out or result / "deviation.csv"
    write_text(path, "\n".join(lines) + "\n", replace=replace)
    return {"file": path, "points": int(lit.sum())}
