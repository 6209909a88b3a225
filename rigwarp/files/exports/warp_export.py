"""The export folder of a warp: the file of one format, the gain as pictures, and what it all means.

Meshes, Wavefront OBJ and binary glTF 2.0, are written here, formats made of pixels in `warp_pixels`.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

import rigwarp
from rigwarp.files.atomic import write_bytes, write_text
from rigwarp.files.exports.warp_pixels import (
    csv_bytes,
    gain_pictures,
    mpcdi_bytes,
    pfm_bytes,
    write_exr,
    write_warp_npz,
)
from rigwarp.files.pictures import write_picture
from rigwarp.geometry import Array
from rigwarp.prewarp import PlainWarp, Prewarp

README_FILE: Final = "README.md"
_METRES_PER_PX: Final = 0.001
"""glTF lengths are metres: one projector pixel is drawn as a millimetre."""


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


def obj_bytes(prewarp: Prewarp) -> bytes:
    """The mesh as OBJ; see readme.md.jinja for its conventions."""
    lines = [f"# rigwarp {rigwarp.__version__}: projector pixels to content; see README.md"]
    first = 1
    for zone, sheet_px, share, triangles in _pieces(prewarp):
        lines.append(f"o zone_{zone}")
        lines += [f"v {x:.9g} {y:.9g} 0" for x, y in sheet_px]
        lines += [f"vt {s:.9g} {1.0 - t:.9g}" for s, t in share]
        lines += [f"f {a}/{a} {b}/{b} {c}/{c}" for a, b, c in triangles + first]
        first += len(sheet_px)
    return ("\n".join(lines) + "\n").encode("ascii")


def glb_bytes(prewarp: Prewarp) -> bytes:
    """The mesh as binary glTF 2.0; see readme.md.jinja for its conventions."""
    import trimesh  # half a second, and only this format needs it

    scene: Any = trimesh.Scene()
    visual: Any = trimesh.visual
    content = visual.material.PBRMaterial(name="content", doubleSided=True)
    for zone, sheet_px, share, triangles in _pieces(prewarp):
        # it counts from the lower left, and turns that round for the file
        look = visual.TextureVisuals(uv=share * [1.0, -1.0] + [0.0, 1.0], material=content)
        sheet = _METRES_PER_PX * np.pad(sheet_px, ((0, 0), (0, 1)))
        mesh = trimesh.Trimesh(vertices=sheet, faces=triangles, visual=look, process=False)
        scene.add_geometry(mesh, geom_name=f"zone {zone}", node_name=f"zone {zone}")
    about = {"version": "2.0", "generator": f"rigwarp {rigwarp.__version__}"}
    return bytes(scene.export(file_type="glb", tree_postprocessor=lambda tree: tree.update(asset=about)))


def _pieces(prewarp: Prewarp) -> Iterator[tuple[int, Array, Array, NDArray[np.int64]]]:
    """The zones' meshes, each with vertices of its own: zone, vertices, texture places, triangles.

    Vertices (N, 2) in pixels from the lower left corner, y up; texture places (N, 2) as a share of the content picture
    from its upper left corner, t down; triangles (M, 3), counter-clockwise.
    """
    for zone in np.unique(prewarp.triangle_zone):
        used, triangles = np.unique(prewarp.triangles[prewarp.triangle_zone == zone], return_inverse=True)
        triangles = triangles.reshape(-1, 3)
        vertices_px = prewarp.vertices_px[used]
        a, b, c = (vertices_px[triangles[:, i]] for i in range(3))
        turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]  # with y down: positive is clockwise
        sheet_px = (vertices_px + 0.5) * [1.0, -1.0] + [0.0, prewarp.projector_resolution[1]]
        share = (prewarp.content_px[used] + 0.5) / prewarp.content_pixels
        yield int(zone), sheet_px, share, np.where((turn > 0.0)[:, None], triangles[:, ::-1], triangles)
