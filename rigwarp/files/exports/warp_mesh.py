"""The warp as a textured mesh for other programs: Wavefront OBJ and binary glTF 2.0."""

import json
import struct
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

import rigwarp
from rigwarp.geometry import Array
from rigwarp.prewarp import Prewarp

_METRES_PER_PX: Final = 0.001
"""glTF lengths are metres: one projector pixel is drawn as a millimetre."""
_GLB_MAGIC, _GLB_VERSION = b"glTF", 2
_JSON_CHUNK, _BINARY_CHUNK = b"JSON", b"BIN\0"
_FLOAT, _UNSIGNED_INT = 5126, 5125  # glTF component types
_ARRAY_BUFFER, _ELEMENT_BUFFER = 34962, 34963  # glTF buffer view targets
_TRIANGLES = 4  # glTF primitive mode

OBJ_NOTES: Final = """\
* `warp.obj`, Wavefront OBJ, text. One object per zone (smooth piece of mirror), named `zone_0`, `zone_1`, ...
* `v x y z`: the projector's picture as a flat sheet. Units: projector pixels. Origin: the lower left corner of the
  picture; x right, y up, z = 0. The picture covers 0 .. {width} by 0 .. {height}; a pixel's centre is at half numbers.
  Vertices may lie a little outside the picture.
* `vt s t`: place in the content picture, 0 .. 1 over its whole width and height; origin at its lower left corner, t up.
  Outside 0 .. 1 show black (clamp to a black border).
* `f v/vt`: numbered from 1; counter-clockwise seen from +z.
* To draw it: an orthographic camera that covers exactly 0 .. {width} by 0 .. {height}, no lighting, the content as
  texture with linear filtering, then multiply by the gain.
"""

GLTF_NOTES: Final = """\
* `warp.glb`, binary glTF 2.0. One mesh and node per zone (smooth piece of mirror), named `zone 0`, `zone 1`, ...
* POSITION: the projector's picture as a flat sheet. Units: metres, one projector pixel is 0.001. Origin: the lower
  left corner of the picture; x right, y up, z = 0. The picture covers 0 .. {width_m:g} by 0 .. {height_m:g}.
  Vertices may lie a little outside it. Triangles turn counter-clockwise seen from +z.
* TEXCOORD_0: place in the content picture, 0 .. 1 over its whole width and height; origin at its upper left corner, v
  down, as glTF has it. Outside 0 .. 1 show black (clamp to a black border).
* To draw it: an orthographic camera that covers exactly the picture, no lighting, the content as base colour texture
  with linear filtering, then multiply by the gain.
"""


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """One zone's mesh: vertices (N, 2) in pixels from the lower left corner, y up; texture places (N, 2) as a share of
    the content picture from its upper left corner, t down; triangles (M, 3), counter-clockwise.
    """

    zone: int
    sheet_px: Array
    share: Array
    triangles: NDArray[np.int64]


def obj_bytes(prewarp: Prewarp) -> bytes:
    """The mesh as OBJ; see `OBJ_NOTES` for its conventions."""
    lines = [f"# rigwarp {rigwarp.__version__}: projector pixels to content; see README.md"]
    first = 1
    for piece in _pieces(prewarp):
        lines.append(f"o zone_{piece.zone}")
        lines += [f"v {x:.9g} {y:.9g} 0" for x, y in piece.sheet_px]
        lines += [f"vt {s:.9g} {1.0 - t:.9g}" for s, t in piece.share]
        lines += [f"f {a}/{a} {b}/{b} {c}/{c}" for a, b, c in piece.triangles + first]
        first += len(piece.sheet_px)
    return ("\n".join(lines) + "\n").encode("ascii")


def glb_bytes(prewarp: Prewarp) -> bytes:
    """The mesh as binary glTF 2.0; see `GLTF_NOTES` for its conventions.

    Notes
    -----
    Khronos glTF 2.0 specification: section 4.4 for the container, 3.6 and 3.7 for buffers and meshes.
    """
    pieces = _pieces(prewarp)
    buffer = _Buffer()
    meshes = []
    for piece in pieces:
        sheet_m = _METRES_PER_PX * np.pad(piece.sheet_px, ((0, 0), (0, 1)))
        attributes = {"POSITION": buffer.vertices(sheet_m, bounds=True), "TEXCOORD_0": buffer.vertices(piece.share)}
        primitive = {"attributes": attributes, "indices": buffer.triangles(piece.triangles), "mode": _TRIANGLES}
        meshes.append({"name": f"zone {piece.zone}", "primitives": [{**primitive, "material": 0}]})
    described = {
        "asset": {"version": "2.0", "generator": f"rigwarp {rigwarp.__version__}"},
        "scene": 0,
        "scenes": [{"nodes": list(range(len(pieces)))}],
        "nodes": [{"name": mesh["name"], "mesh": i} for i, mesh in enumerate(meshes)],
        "meshes": meshes,
        "materials": [{"name": "content", "doubleSided": True}],
        "buffers": [{"byteLength": len(buffer.data)}],
        "bufferViews": buffer.views,
        "accessors": buffer.accessors,
    }
    return _container(described, bytes(buffer.data))


def _pieces(prewarp: Prewarp) -> list[_Piece]:
    """The zones' meshes, each with vertices of its own."""
    found = []
    for zone in np.unique(prewarp.triangle_zone):
        used, triangles = np.unique(prewarp.triangles[prewarp.triangle_zone == zone], return_inverse=True)
        triangles = triangles.reshape(-1, 3)
        vertices_px = prewarp.vertices_px[used]
        a, b, c = (vertices_px[triangles[:, i]] for i in range(3))
        turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]  # with y down: positive is clockwise
        found.append(
            _Piece(
                zone=int(zone),
                sheet_px=(vertices_px + 0.5) * [1.0, -1.0] + [0.0, prewarp.projector_resolution[1]],
                share=(prewarp.content_px[used] + 0.5) / prewarp.content_pixels,
                triangles=np.where((turn > 0.0)[:, None], triangles[:, ::-1], triangles),
            )
        )
    return found


class _Buffer:
    """The binary part of a glTF file, with the views and accessors that describe it."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []

    def vertices(self, values: Array, *, bounds: bool = False) -> int:
        """Add (N, 2 or 3) numbers; `bounds`: state their range, which positions must. The accessor's number."""
        stored = np.asarray(values, "<f4")
        about = {"componentType": _FLOAT, "count": len(stored), "type": f"VEC{stored.shape[1]}"}
        if bounds:
            about |= {"min": stored.min(axis=0).tolist(), "max": stored.max(axis=0).tolist()}
        return self._add(stored.tobytes(), about, _ARRAY_BUFFER)

    def triangles(self, values: NDArray[np.int64]) -> int:
        """Add (M, 3) vertex numbers. The accessor's number."""
        about = {"componentType": _UNSIGNED_INT, "count": values.size, "type": "SCALAR"}
        return self._add(values.astype("<u4").tobytes(), about, _ELEMENT_BUFFER)

    def _add(self, data: bytes, about: dict[str, Any], target: int) -> int:
        view = {"buffer": 0, "byteOffset": len(self.data), "byteLength": len(data), "target": target}
        self.accessors.append({"bufferView": len(self.views), **about})
        self.views.append(view)
        self.data += data
        return len(self.accessors) - 1


def _container(described: dict[str, Any], binary: bytes) -> bytes:
    """A .glb file: header, JSON chunk padded with blanks, binary chunk padded with zeros."""
    text = json.dumps(described, separators=(",", ":")).encode("ascii")
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    total = 12 + 8 + len(text) + 8 + len(binary)
    head = struct.pack("<4sII", _GLB_MAGIC, _GLB_VERSION, total)
    return b"".join(
        (
            head,
            struct.pack("<I4s", len(text), _JSON_CHUNK),
            text,
            struct.pack("<I4s", len(binary), _BINARY_CHUNK),
            binary,
        )
    )
