"""The export folder of a warp: the file of one format, the gain as pictures, and what it all means."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rigwarp.files.atomic import write_bytes, write_text
from rigwarp.files.exports.warp_mesh import GLTF_NOTES, OBJ_NOTES, glb_bytes, obj_bytes
from rigwarp.files.exports.warp_mpcdi import MPCDI_NOTES, mpcdi_bytes
from rigwarp.files.exports.warp_pixels import (
    CSV_NOTES,
    EXR_NOTES,
    NPZ_NOTES,
    PFM_NOTES,
    csv_bytes,
    gain_notes,
    gain_pictures,
    warp_pfm_bytes,
    write_exr,
    write_warp_npz,
)
from rigwarp.files.pictures import write_picture
from rigwarp.prewarp import PlainWarp

README_FILE: Final = "README.md"
_HEAD: Final = """\
# The warp of {name}

What to send to the projector ({width} x {height} pixels) so that a picture of {content_width} x {content_height} pixels
stands undistorted on the table. For every projector pixel: which place of the picture to show there, and by how much to
dim it. Made by rigwarp from result {result}{correction}.

Show the outcome pixel for pixel at the projector's native size, with its own keystone correction switched off. In full:
decode the picture's codes to linear light, sample it at the place given (linearly or better; black outside the
picture), multiply by the gain, and encode for the projector ({transfer}).

## Files
"""


@dataclass(frozen=True, kw_only=True)
class WarpFormat:
    """How one format is written: the file's name, its writer, its conventions, whether it is a mesh."""

    file: str
    write: Callable[[Path, PlainWarp, Mapping[str, Any]], None]
    notes: str
    mesh: bool = False


def _from_bytes(encode: Callable[[PlainWarp], bytes]) -> Callable[[Path, PlainWarp, Mapping[str, Any]], None]:
    return lambda path, warp, about: write_bytes(path, encode(warp))


WARP_FORMATS: Final[dict[str, WarpFormat]] = {
    "obj": WarpFormat(
        file="warp.obj", write=_from_bytes(lambda warp: obj_bytes(warp.prewarp)), notes=OBJ_NOTES, mesh=True
    ),
    "gltf": WarpFormat(
        file="warp.glb", write=_from_bytes(lambda warp: glb_bytes(warp.prewarp)), notes=GLTF_NOTES, mesh=True
    ),
    "pfm": WarpFormat(file="warp.pfm", write=_from_bytes(warp_pfm_bytes), notes=PFM_NOTES),
    "exr": WarpFormat(file="warp.exr", write=lambda path, warp, about: write_exr(path, warp), notes=EXR_NOTES),
    "csv": WarpFormat(file="warp.csv", write=_from_bytes(csv_bytes), notes=CSV_NOTES),
    "npz": WarpFormat(file="warp.npz", write=write_warp_npz, notes=NPZ_NOTES),
    "mpcdi": WarpFormat(
        file="warp.mpcdi",
        write=lambda path, warp, about: write_bytes(path, mpcdi_bytes(warp, name=str(about["name"]))),
        notes=MPCDI_NOTES,
    ),
}
"""Name of the format -> how it is written; "mpcdi" is experimental."""


def write_warp_files(folder: Path, warp: PlainWarp, format: str, about: Mapping[str, Any]) -> None:
    """Write a warp into a folder: the format's file, gain pictures, README.md.

    Parameters
    ----------
    folder : an empty folder, see `new_export`.
    format : one of `WARP_FORMATS`.
    about : `name` of the rig, `result`, and `corrected_by_hand`.

    Raises
    ------
    DeviceError
        If the format needs a package that is not installed.
    """
    how = WARP_FORMATS[format]
    how.write(folder / how.file, warp, about)
    for name, picture in gain_pictures(warp.prewarp, by_zone=how.mesh).items():
        write_picture(folder / name, picture)
    write_text(folder / README_FILE, _readme(warp, how, about))


def _readme(warp: PlainWarp, how: WarpFormat, about: Mapping[str, Any]) -> str:
    prewarp = warp.prewarp
    (width, height), (content_width, content_height) = prewarp.projector_resolution, prewarp.content_pixels
    sizes = {"width": width, "height": height, "content_width": content_width, "content_height": content_height}
    head = _HEAD.format(
        name=about["name"],
        result=about["result"],
        correction=", the correction by hand included" if about["corrected_by_hand"] else "",
        transfer="sRGB curve" if prewarp.transfer == "srgb" else f"gamma {prewarp.transfer:g}",
        **sizes,
    )
    notes = how.notes.format(**sizes, width_m=width / 1000.0, height_m=height / 1000.0)
    return f"{head}\n{notes}{gain_notes(prewarp, by_zone=how.mesh)}* `export.json`: what this was made from.\n"
