"""What a glTF 2.0 file says that it holds, read before any of it is unpacked: lengths cost a file nothing."""

import json
from typing import Any, Final

from rigwarp.files.mesh_limits import MOST_TRIANGLES, require_triangles

_MAGIC = b"glTF"
_CHUNK = slice(12, 16)  # of the binary form: the length of the JSON, which follows after its type
_JSON_AT = 20
_TRIANGLES = 4  # the mode that has three corners each; strips and fans have nearly one
_MOST_ELEMENTS: Final = 6 * MOST_TRIANGLES
"""Of all accessors: three indices for each triangle, and positions, normals and colours for each corner."""


def require_modest_gltf(data: bytes) -> None:
    """Refuse a file whose arrays, or whose bodies each as often as it is placed, are too many.

    Raises
    ------
    ValueError, LookupError, TypeError
        With the reason; or it is no glTF.
    """
    scene = _description(data)
    elsewhere = [part["uri"] for part in scene.get("buffers", []) if not part.get("uri", "data:").startswith("data:")]
    if elsewhere:
        raise ValueError(
            f"its points are in another file, {elsewhere[0]}, which is not read: export it as .glb, all in one file"
        )
    lengths = [int(accessor["count"]) for accessor in scene.get("accessors", [])]
    if sum(lengths) > _MOST_ELEMENTS:
        raise ValueError(
            f"its arrays have {sum(lengths) / 1e6:.1f} million rows, at most {_MOST_ELEMENTS / 1e6:.1f} are read"
        )
    triangles = [sum(_triangles(part, lengths) for part in mesh["primitives"]) for mesh in scene.get("meshes", [])]
    require_triangles(sum(triangles[node["mesh"]] for node in scene.get("nodes", []) if "mesh" in node))


def _description(data: bytes) -> Any:
    if not data.startswith(_MAGIC):
        return json.loads(data)
    return json.loads(data[_JSON_AT : _JSON_AT + int.from_bytes(data[_CHUNK], "little")])


def _triangles(part: Any, lengths: list[int]) -> int:
    corners: int = lengths[part["indices"] if "indices" in part else part["attributes"]["POSITION"]]
    return corners // 3 if part.get("mode", _TRIANGLES) == _TRIANGLES else corners
