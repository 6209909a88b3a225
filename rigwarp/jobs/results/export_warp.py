"""The warp of a result for other programs."""

from pathlib import Path
from typing import Any

import numpy as np

import rigwarp
from rigwarp.errors import InputError
from rigwarp.files import WARP_FORMATS, RigFolder, new_export, write_warp_files
from rigwarp.files.adjust_file import hand_correction
from rigwarp.live.measured_warp import measured_warp
from rigwarp.prewarp import UNCHANGED, plain_warp


def export_warp(
    folder: RigFolder, result: Path, format: str, *, out: Path | None, replace: bool, correction: bool
) -> dict[str, Any]:
    """Write the warp into a folder of its own.

    By default the folder `warp-FORMAT` in the result. See `export_current`.
    """
    try:
        adjustment = hand_correction(folder.root)[0] if correction else UNCHANGED
    except InputError as error:  # it is not left out in silence
        raise InputError(f"{error} Or leave it out of the export with --no-correction.") from None
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
        **({"note": measured.note} if measured.note else {}),
    }
