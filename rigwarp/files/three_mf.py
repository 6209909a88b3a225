"""Triangles of all bodies of a 3MF file (3MF Core Specification 1.3), in mm."""

import io
import zipfile
from collections.abc import Iterator, Mapping
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from rigwarp.files.mesh_limits import require_bytes, require_triangles
from rigwarp.geometry import Array, TriangleMesh

_UNITS_MM: Final = {
    "micron": 1e-3,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}
_CORNERS = ("v1", "v2", "v3")
_DEEPEST = 16  # assemblies within assemblies
_MOST_PLACED = 10_000  # bodies and assemblies, each as often as it is placed

_Part = tuple[Array, NDArray[np.int64]]


def three_mf_mesh(data: bytes) -> TriangleMesh:
    """Triangles in mm of everything that the file's build plate holds.

    Raises
    ------
    ValueError
        With the reason, where it holds no model or one that is too large.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        models = [entry for entry in packed.infolist() if entry.filename.lower().endswith(".model")]
        if not models:
            raise ValueError("it holds no model")
        require_bytes(models[0].file_size)
        root = ET.fromstring(packed.read(models[0]))
    scale = _UNITS_MM[root.get("unit", "millimeter")]
    objects = {o.get("id", ""): o for o in root.iter() if _name(o) == "object"}
    bodies, parts, triangles = _Bodies(objects), [], 0
    for item in root.iter():
        if _name(item) == "item":
            for part in bodies.placed(item.get("objectid", ""), _transform(item), _DEEPEST):
                parts.append(part)
                triangles += len(part[1])
                require_triangles(triangles)
    if not parts:
        raise ValueError("its build plate is empty")
    starts = np.cumsum([0, *(len(vertices) for vertices, _ in parts)])
    return TriangleMesh(
        vertices_mm=scale * np.concatenate([vertices for vertices, _ in parts]),
        faces=np.concatenate([faces + n for (_, faces), n in zip(parts, starts[:-1], strict=True)]),
    )


def _name(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _transform(element: ET.Element) -> Array:
    """(4, 3) matrix that row vectors (x, y, z, 1) are multiplied with; the identity where none is given."""
    text = element.get("transform")
    return np.eye(4, 3) if text is None else np.array(text.split(), float).reshape(4, 3)


class _Bodies:
    """The objects of a model, each unpacked once however often it is placed."""

    def __init__(self, objects: Mapping[str, ET.Element]) -> None:
        self._objects = objects
        self._meshes: dict[str, _Part | None] = {}
        self._left = _MOST_PLACED

    def placed(self, number: str, place: Array, deepest: int) -> Iterator[_Part]:
        """Vertices and triangles of an object and all that it is put together from."""
        if not deepest:
            raise ValueError("an assembly holds itself")
        self._left -= 1
        if self._left < 0:
            raise ValueError(f"it places more than {_MOST_PLACED} bodies; export the mirror alone")
        if number not in self._meshes:
            self._meshes[number] = _mesh(self._objects[number])
        mesh = self._meshes[number]
        if mesh is not None:
            yield mesh[0] @ place, mesh[1]
        for element in self._objects[number].iter():
            if _name(element) == "component":
                own = np.column_stack([_transform(element), [0.0, 0.0, 0.0, 1.0]])
                yield from self.placed(element.get("objectid", ""), own @ place, deepest - 1)


def _mesh(element: ET.Element) -> _Part | None:
    """(N, 4) vertices x, y, z, 1 and (M, 3) triangles of an object; None for an assembly."""
    vertices = [[float(v.get(a, "nan")) for a in "xyz"] for v in element.iter() if _name(v) == "vertex"]
    faces = [[int(t.get(a, "-1")) for a in _CORNERS] for t in element.iter() if _name(t) == "triangle"]
    if not vertices or not faces:
        return None
    return np.column_stack([vertices, np.ones(len(vertices))]), np.array(faces, np.int64)
