"""The warp of a result for other programs."""

from pathlib import Path
from typing import Any

import numpy as np

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files import WARP_FORMATS, RigFolder, new_export, read_adjustment, write_warp_files
from rigwarp.files.names import ADJUST_FILE
from rigwarp.live.measured_warp import measured_warp
from rigwarp.prewarp import UNCHANGED, Adjustment, plain_warp


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
