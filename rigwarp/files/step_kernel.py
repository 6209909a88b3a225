"""Points of the exact faces of a STEP file (ISO 10303-21), by the OpenCASCADE kernel; run by `files/step.py`.

    python -P step_kernel.py FOLDER MOST_TRIANGLES MOST_S MOST_BYTES

Reads part.step in FOLDER and writes triangles.txt, how many there are, and mesh.npz beside it; or reason.txt. Beyond
its limits the system ends it, where it keeps such limits. Imports nothing else of rigwarp: that costs a second.
"""

import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

PART_NAME: Final = "part.step"
MESH_NAME: Final = "mesh.npz"
REASON_NAME: Final = "reason.txt"
COUNT_NAME: Final = "triangles.txt"

Array = NDArray[np.float64]

_FINENESS = 1e-4  # of the model's size: how far triangles may stand off the faces; their corners lie on them
_TURN_RAD = 0.2  # by which neighbouring triangles may turn
_SPACING = 1.0 / 80.0  # of the model's size: further points of a triangle are about as far apart ...
_ROWS = (2, 8)  # ... in so many rows from a side to the opposite corner, that is 3 to 36 points
_SPLINES = ("BSpline", "Bezier", "Extrusion", "Revolution", "Torus")  # faces that a rational spline is exactly
_MOST_POLES = 500  # of a spline, along either parameter
_MOST = _ROWS[1] * (_ROWS[1] + 1) // 2


def main(folder: Path, most_triangles: int, most_s: float, most_bytes: int) -> int:
    """Read the part; the exit code."""
    _keep_within(most_s, most_bytes)
    try:
        from OCP.BRepMesh import BRepMesh_IncrementalMesh

        shape = _shape(folder / PART_NAME)
        BRepMesh_IncrementalMesh(shape, _FINENESS * _size_mm(shape), False, _TURN_RAD, False)
        count = sum(_triangle_count(face) for face in _faces(shape))
        (folder / COUNT_NAME).write_text(str(count), encoding="ascii")
        if count > most_triangles:
            return 1
        arrays: dict[str, Any] = _mesh(shape)
        np.savez(folder / MESH_NAME, **arrays)
    except (ValueError, MemoryError) as error:
        (folder / REASON_NAME).write_text(str(error) or "it needs too much memory", encoding="utf-8")
        return 1
    return 0


def _keep_within(most_s: float, most_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # Windows: whoever started this ends it when it takes too long
        return
    resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(most_s), math.ceil(most_s)))
    resource.setrlimit(resource.RLIMIT_DATA, (most_bytes, most_bytes))


def _mesh(shape: Any) -> dict[str, Any]:
    """Corners, triangles wound outwards, 3 to 36 more points of each, its face and its corners' parameters there.

    All points are in mm and on the exact faces. Of face k that is a spline, `poles_k`, `knots_u_k` and `knots_v_k` are
    those of `Nurbs`.
    """
    parts: dict[str, list[NDArray[Any]]] = {
        name: [] for name in ("vertices_mm", "faces", "on_surface_mm", "corners_uv")
    }
    splines, number, count = {}, [], 0
    spacing_mm = _SPACING * _size_mm(shape)
    for k, face in enumerate(_faces(shape)):
        points, triangles, within, corners_uv = _face(face, spacing_mm)
        for name, values in zip(parts, (points, triangles + count, within, corners_uv), strict=True):
            parts[name].append(values)
        number.append(np.full(len(triangles), k))
        count += len(points)
        splines.update({f"{name}_{k}": values for name, values in _spline(face).items()})
    if not count:
        raise ValueError("it holds no faces")
    return {
        **{name: np.concatenate(values) for name, values in parts.items()},
        "face": np.concatenate(number),
        **splines,
    }


def _spline(face: Any) -> dict[str, Array]:
    """Poles and knots of a face that some rational spline is exactly, and that is no plane or quadric; else nothing."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.BRepTools import BRepTools
    from OCP.Geom import Geom_RectangularTrimmedSurface
    from OCP.GeomConvert import GeomConvert
    from OCP.Standard import Standard_Failure

    kind = BRepAdaptor_Surface(face).GetType()
    if not any(name in str(kind) for name in _SPLINES):
        return {}
    try:
        trimmed = Geom_RectangularTrimmedSurface(BRep_Tool.Surface_s(face), *BRepTools.UVBounds_s(face))
        whole = GeomConvert.SurfaceToBSplineSurface_s(trimmed)
    except Standard_Failure:  # a face that the kernel cannot convert is fitted through its points
        return {}
    counts = whole.NbUPoles(), whole.NbVPoles()
    if max(counts) > _MOST_POLES or whole.IsUPeriodic() or whole.IsVPeriodic():
        return {}
    poles = np.empty((*counts, 4))
    for i, j in np.ndindex(*counts):
        p, w = whole.Pole(i + 1, j + 1), whole.Weight(i + 1, j + 1)
        poles[i, j] = w * p.X(), w * p.Y(), w * p.Z(), w
    along = [
        [(whole.UKnot(i), whole.UMultiplicity(i)) for i in range(1, whole.NbUKnots() + 1)],
        [(whole.VKnot(i), whole.VMultiplicity(i)) for i in range(1, whole.NbVKnots() + 1)],
    ]
    u, v = (np.repeat([k for k, _ in knots], [times for _, times in knots]) for knots in along)
    return {"poles": poles, "knots_u": u, "knots_v": v}


def _shape(path: Path) -> Any:
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()  # converts the file's length unit to mm
    if reader.ReadFile(str(path)) != IFSelect_RetDone:
        raise ValueError("the kernel cannot read it")
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


def _face(face: Any, spacing_mm: float) -> tuple[Array, NDArray[np.int64], Array, Array]:
    """Corners (N, 3) of one face's triangles, the triangles (M, 3), points (M, 36, 3) between their corners, and
    the corners' parameters (M, 3, 2).

    Of the points each has as many as its size asks for, and NaN beyond: fits need points evenly spread, and triangles
    may be tiny along a rounding and large inside. All are evaluated on the face's surface; the kernel takes corners on
    the rim from edges, which may stray from it.
    """
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.TopAbs import TopAbs_REVERSED
    from OCP.TopLoc import TopLoc_Location

    mesh = BRep_Tool.Triangulation_s(face, TopLoc_Location())
    if mesh is None:
        return np.empty((0, 3)), np.empty((0, 3), np.int64), np.empty((0, _MOST, 3)), np.empty((0, 3, 2))
    surface = BRepAdaptor_Surface(face)
    at = np.array([(p.X(), p.Y()) for p in (mesh.UVNode(i) for i in range(1, mesh.NbNodes() + 1))])
    corners = np.array([mesh.Triangle(i).Get() for i in range(1, mesh.NbTriangles() + 1)], np.int64).reshape(-1, 3) - 1
    points = _on_surface(surface, at)
    sides = points[corners] - points[np.roll(corners, 1, axis=1)]
    rows = np.clip(np.ceil(np.linalg.norm(sides, axis=-1).max(axis=1) / spacing_mm), *_ROWS).astype(int)
    within = np.full((len(corners), _MOST, 3), np.nan)
    for count in np.unique(rows):
        shares, chosen = _lattice(int(count)), rows == count
        there = np.einsum("pc,tcx->tpx", shares, at[corners[chosen]])
        within[chosen, : len(shares)] = _on_surface(surface, there)
    if face.Orientation() == TopAbs_REVERSED:
        corners = corners[:, ::-1]
    return points, corners, within, at[corners]


def _lattice(rows: int) -> Array:
    """(n, 3) shares of a triangle's corners: places in so many rows, which keep clear of sides and corners."""
    whole = 3 * rows
    pairs = [(a, b) for a in range(1, whole, 3) for b in range(1, whole - a, 3)]
    return np.array([(a, b, whole - a - b) for a, b in pairs]) / whole


def _on_surface(surface: Any, parameters: Array) -> Array:
    """(..., 3) points at (..., 2) parameters."""
    points = [surface.Value(float(u), float(v)) for u, v in parameters.reshape(-1, 2)]
    return np.array([(p.X(), p.Y(), p.Z()) for p in points], float).reshape(*parameters.shape[:-1], 3)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])))
