"""Points of the exact faces of a STEP file (ISO 10303-21), by the OpenCASCADE kernel; an extra: rigwarp[step]."""

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.files.mesh_limits import require_triangles
from rigwarp.geometry import Array, TriangleMesh

_FINENESS = 1e-4  # of the model's size: how far triangles may stand off the faces; their corners lie on them
_TURN_RAD = 0.2  # by which neighbouring triangles may turn
_WITHIN = np.array([[2, 2, 2], [4, 1, 1], [1, 4, 1], [1, 1, 4]]) / 6.0  # shares of the corners


def step_mesh(data: bytes) -> TriangleMesh:
    """Triangles in mm, wound outwards, their corners and four more points of each on the exact faces.

    Raises
    ------
    ModuleNotFoundError
        Without the kernel.
    ValueError
        With the reason, where the file holds no faces, or too many triangles to evaluate.
    """
    from OCP.BRepMesh import BRepMesh_IncrementalMesh

    shape = _shape(data)
    BRepMesh_IncrementalMesh(shape, _FINENESS * _size_mm(shape), False, _TURN_RAD, False)
    vertices, faces, more, count = [], [], [], 0
    require_triangles(sum(_triangle_count(face) for face in _faces(shape)))
    for face in _faces(shape):
        points, triangles, within = _face(face)
        vertices.append(points)
        faces.append(triangles + count)
        more.append(within)
        count += len(points)
    if not count:
        raise ValueError("it holds no faces")
    return TriangleMesh(
        vertices_mm=np.concatenate(vertices), faces=np.concatenate(faces), on_surface_mm=np.concatenate(more)
    )


def _shape(data: bytes) -> Any:
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()  # converts the file's length unit to mm
    handle, name = tempfile.mkstemp(suffix=".step")  # the kernel reads files, not bytes
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        if reader.ReadFile(name) != IFSelect_RetDone:
            raise ValueError("the kernel cannot read it")
    finally:
        Path(name).unlink()
    if not reader.TransferRoots():
        raise ValueError("it holds no shape")
    return reader.OneShape()


def _size_mm(shape: Any) -> float:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.Add_s(shape, box)
    if box.IsVoid():
        raise ValueError("it holds no faces")
    low, high = box.CornerMin(), box.CornerMax()
    return float(max(high.X() - low.X(), high.Y() - low.Y(), high.Z() - low.Z()))


def _faces(shape: Any) -> Iterator[Any]:
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    explorer = TopExp_Explorer(shape, TopAbs_FACE)
    while explorer.More():
        yield TopoDS.Face(explorer.Current())
        explorer.Next()


def _triangle_count(face: Any) -> int:
    from OCP.BRep import BRep_Tool
    from OCP.TopLoc import TopLoc_Location

    mesh = BRep_Tool.Triangulation_s(face, TopLoc_Location())
    return 0 if mesh is None else int(mesh.NbTriangles())


def _face(face: Any) -> tuple[Array, NDArray[np.int64], Array]:
    """Corners (N, 3) of one face's triangles, the triangles (M, 3), and points (M, 4, 3) between their corners.

    All are evaluated on the face's surface; the kernel takes corners on the rim from edges, which may stray from it.
    """
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.TopAbs import TopAbs_REVERSED
    from OCP.TopLoc import TopLoc_Location

    mesh = BRep_Tool.Triangulation_s(face, TopLoc_Location())
    if mesh is None:
        return np.empty((0, 3)), np.empty((0, 3), np.int64), np.empty((0, len(_WITHIN), 3))
    surface = BRepAdaptor_Surface(face)
    at = np.array([(p.X(), p.Y()) for p in (mesh.UVNode(i) for i in range(1, mesh.NbNodes() + 1))])
    corners = np.array([mesh.Triangle(i).Get() for i in range(1, mesh.NbTriangles() + 1)], np.int64).reshape(-1, 3) - 1
    within = _on_surface(surface, np.einsum("pc,tcx->tpx", _WITHIN, at[corners]))
    if face.Orientation() == TopAbs_REVERSED:
        corners = corners[:, ::-1]
    return _on_surface(surface, at), corners, within


def _on_surface(surface: Any, parameters: Array) -> Array:
    """(..., 3) points at (..., 2) parameters."""
    points = [surface.Value(float(u), float(v)) for u, v in parameters.reshape(-1, 2)]
    return np.array([(p.X(), p.Y(), p.Z()) for p in points], float).reshape(*parameters.shape[:-1], 3)
