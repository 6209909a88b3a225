"""The warp as a textured mesh for other programs: Wavefront OBJ and binary glTF 2.0."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

import rigwarp
from rigwarp.geometry import Array
from rigwarp.prewarp import Prewarp

_METRES_PER_PX: Final = 0.001
"""glTF lengths are metres: one projector pixel is drawn as a millimetre."""


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
