"""Triangles of all bodies of a 3MF file (3MF Core Specification 1.3), in mm."""

import io
import zipfile
from collections.abc import Iterator, Mapping
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, TriangleMesh

_UNITS_MM: Final = {
    "micron": 1e-3,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}
_LARGEST = 2**30  # bytes of a model: what unpacks to more is no mirror
_CORNERS = ("v1", "v2", "v3")
_DEEPEST = 16  # assemblies within assemblies

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
        if models[0].file_size > _LARGEST:
            raise ValueError(f"its model has {models[0].file_size / 2**20:.0f} MiB unpacked, at most 1024 are read")
        root = ET.fromstring(packed.read(models[0]))
    scale = _UNITS_MM[root.get("unit", "millimeter")]
    objects = {o.get("id", ""): o for o in root.iter() if _name(o) == "object"}
    parts = [
        part
        for item in root.iter()
        if _name(item) == "item"
        for part in _parts(objects, item.get("objectid", ""), _transform(item), _DEEPEST)
    ]
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


def _parts(objects: Mapping[str, ET.Element], number: str, placed: Array, deepest: int) -> Iterator[_Part]:
    if not deepest:
        raise ValueError("an assembly holds itself")
    for element in objects[number].iter():
        if _name(element) == "mesh":
            vertices = [[float(v.get(a, "nan")) for a in "xyz"] for v in element.iter() if _name(v) == "vertex"]
            faces = [
                [int(t.get(a, "-1")) for a in ("v1", "v2", "v3")] for t in element.iter() if _name(t) == "triangle"
            ]
            if vertices and faces:
                yield np.column_stack([vertices, np.ones(len(vertices))]) @ placed, np.array(faces, np.int64)
        elif _name(element) == "component":
            own = np.column_stack([_transform(element), [0.0, 0.0, 0.0, 1.0]])
            yield from _parts(objects, element.get("objectid", ""), own @ placed, deepest - 1)
