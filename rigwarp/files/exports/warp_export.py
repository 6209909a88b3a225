"""The export folder of a warp: the file of one format, the gain as pictures, and what it all means."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.files.atomic import write_bytes, write_text
from rigwarp.files.exports.warp_mesh import glb_bytes, obj_bytes
from rigwarp.files.exports.warp_pixels import (
    csv_bytes,
    gain_pictures,
    mpcdi_bytes,
    pfm_bytes,
    write_exr,
    write_warp_npz,
)
from rigwarp.files.pictures import write_picture
from rigwarp.prewarp import PlainWarp

README_FILE: Final = "README.md"


@dataclass(frozen=True, kw_only=True)
class WarpFormat:
    """How one format is written: the file's name, its writer, whether it is a mesh."""

    file: str
    write: Callable[[Path, PlainWarp, Mapping[str, Any]], None]
    mesh: bool = False


def _from_bytes(encode: Callable[[PlainWarp], bytes]) -> Callable[[Path, PlainWarp, Mapping[str, Any]], None]:
    return lambda path, warp, about: write_bytes(path, encode(warp))


WARP_FORMATS: Final[dict[str, WarpFormat]] = {
    "obj": WarpFormat(file="warp.obj", write=_from_bytes(lambda warp: obj_bytes(warp.prewarp)), mesh=True),
    "gltf": WarpFormat(file="warp.glb", write=_from_bytes(lambda warp: glb_bytes(warp.prewarp)), mesh=True),
    "pfm": WarpFormat(
        file="warp.pfm", write=_from_bytes(lambda w: pfm_bytes(np.dstack([w.canvas_px, w.prewarp.gain])))
    ),
    "exr": WarpFormat(file="warp.exr", write=lambda path, warp, about: write_exr(path, warp)),
    "csv": WarpFormat(file="warp.csv", write=_from_bytes(csv_bytes)),
    "npz": WarpFormat(file="warp.npz", write=write_warp_npz),
    "mpcdi": WarpFormat(
        file="warp.mpcdi",
        write=lambda path, warp, about: write_bytes(path, mpcdi_bytes(warp, name=str(about["name"]))),
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
    write_text(folder / README_FILE, _readme(warp, format, about))


def _readme(warp: PlainWarp, format: str, about: Mapping[str, Any]) -> str:
    """What the files are and mean, see readme.md.jinja."""
    import jinja2  # only who exports needs it

    prewarp = warp.prewarp
    power = prewarp.transfer != "srgb"
    text = Path(__file__).with_name("readme.md.jinja").read_text(encoding="utf-8")
    template = jinja2.Template(text, trim_blocks=True, keep_trailing_newline=True, undefined=jinja2.StrictUndefined)
    said: str = template.render(
        about,
        format=format,
        width=prewarp.projector_resolution[0],
        height=prewarp.projector_resolution[1],
        content_width=prewarp.content_pixels[0],
        content_height=prewarp.content_pixels[1],
        by_zone=WARP_FORMATS[format].mesh and len(np.unique(prewarp.triangle_zone)) > 1,
        transfer=f"gamma {prewarp.transfer:g}" if power else "sRGB curve",
        exact="For a power curve that is exact." if power else "For the sRGB curve that is approximate.",
    )
    return said
