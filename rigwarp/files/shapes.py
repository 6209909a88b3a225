"""CAD meshes and mirror profiles from the rig folder."""

import io
import json
import math
import re
from pathlib import Path
from typing import Any, Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.atomic import write_bytes
from rigwarp.files.mesh_limits import MOST_MESH_BYTES, MOST_TEXT_BYTES, MOST_TRIANGLES, require_triangles
from rigwarp.files.reading import read_bytes, read_text
from rigwarp.files.step import step_mesh
from rigwarp.files.three_mf import three_mf_mesh
from rigwarp.geometry import Array, TriangleMesh

_COLUMNS = ("r_mm", "z_mm")
_STEP = ("step", "stp")
_BINARY = ("stl", "ply", "glb")
_GLTF = ("glb", "gltf")
_METRE_MM = 1000.0  # glTF 2.0: all lengths are in metres
_SMALLEST_RADIUS_MM = 2.5  # of a profile: as for meshes, nothing smaller spreads a projector's picture
_FEWEST_ROWS = 4  # of a profile: fewer do not define a curvature with anything to check it by


def read_mesh(path: Path, *, key: str) -> TriangleMesh:
    """Triangles of an STL, PLY, OBJ, 3MF, glTF or STEP file in mm, all bodies of it, exactly as they stand there.

    Parameters
    ----------
    path : the file.
    key : where it was named, such as `rig.toml: mirror.file`; starts every message.

    Raises
    ------
    InputError
        If the file is missing, cannot be read, is too large, or holds no triangles or a vertex that is not finite.
    """
    advice = f"It is named by {key}: put it there or correct the name."
    most = MOST_MESH_BYTES if path.suffix[1:].lower() in _BINARY else MOST_TEXT_BYTES
    data = read_bytes(path, make_with=advice, most_bytes=most)
    try:
        mesh = _mesh(data, path.suffix[1:].lower())
        require_triangles(len(mesh.faces))
    except ModuleNotFoundError as error:
        raise InputError(
            f"{key}: {path}: STEP files need the extra: pip install 'rigwarp[step]'. Or export the part as STL."
        ) from error
    except Exception as error:  # readers raise whatever the damaged bytes lead them to
        reason = str(error).partition("\n")[0][:120] or type(error).__name__
        raise InputError(
            f"{key}: {path} cannot be read as {path.suffix[1:].upper()} ({reason}). Export it again."
        ) from error
    if mesh.vertices_mm.ndim != 2 or mesh.vertices_mm.shape[1:] != (3,) or mesh.faces.ndim != 2 or not len(mesh.faces):
        raise InputError(f"{key}: {path}: found no triangles, expected a triangle mesh. Export it again as a surface.")
    if not np.isfinite(mesh.vertices_mm).all():
        raise InputError(f"{key}: {path}: found a vertex that is not a finite number. Export the file again.")
    if mesh.faces.min() < 0 or mesh.faces.max() >= len(mesh.vertices_mm):
        raise InputError(f"{key}: {path}: found a triangle with a vertex that is not there. Export the file again.")
    return mesh


def _mesh(data: bytes, ending: str) -> TriangleMesh:
    """Triangles of a file's bytes."""
    if ending == "stl":
        corners_mm = stl_triangles(data).reshape(-1, 3)
        return TriangleMesh(vertices_mm=corners_mm, faces=np.arange(len(corners_mm)).reshape(-1, 3))
    if ending == "3mf":
        return three_mf_mesh(data)
    if ending in _STEP:
        return step_mesh(data)
    import trimesh  # half a second, and only these formats need it

    if ending == "obj":
        data = data.decode("utf-8", "backslashreplace").encode("utf-8")  # names may be in an older encoding
    elif ending in _GLTF:
        require_modest_gltf(data)
    loaded: Any = trimesh.load(io.BytesIO(data), file_type=ending, process=False, force="mesh")
    scale = _METRE_MM if ending in _GLTF else 1.0
    return TriangleMesh(
        vertices_mm=scale * np.array(loaded.vertices, np.float64), faces=np.array(loaded.faces, np.int64)
    )


def read_profile(path: Path, *, key: str) -> Array:
    """(N, 2) r and z in mm from a CSV file whose first line names the columns r_mm and z_mm (others are ignored).

    Blank lines and lines that start with # are skipped, and so is a row that repeats the one before. Rows may run from
    the rim inwards; they are returned from the middle outwards.

    Raises
    ------
    InputError
        If the file is missing, a column or number is missing, r is negative or neither rises nor falls throughout, rows
        are too few, or the radii cannot be millimetres.
    """
    text = read_text(path, make_with=f"It is named by {key}: put it there or correct the name.")
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    rows = [[cell.strip(' \t"') for cell in line.split(",")] for _, line in lines]
    if not rows or any(column not in rows[0] for column in _COLUMNS):
        found = ", ".join(rows[0])[:60] if rows else "an empty file"
        raise InputError(
            f"{key}: {path}: found {found}, expected a first line that names the columns r_mm, z_mm. "
            "Separate columns by commas and write decimals with a point."
        )
    picked = [rows[0].index(column) for column in _COLUMNS]
    points = [
        [_cell(path, key, number, row, column) for column in picked]
        for (number, _), row in zip(lines[1:], rows[1:], strict=True)
    ]
    profile = _outwards(np.array(points, float).reshape(-1, 2))
    _check_profile(path, key, profile)
    return profile


def _outwards(profile: Array) -> Array:
    """Rows from the middle outwards where they run inwards, without those that repeat the one before."""
    if (np.diff(profile[:, 0]) <= 0.0).all():
        profile = profile[::-1]
    new = np.ones(len(profile), bool)
    new[1:] = (np.diff(profile, axis=0) != 0.0).any(axis=1)
    return np.asarray(profile[new])


def _cell(path: Path, key: str, line: int, row: list[str], column: int) -> float:
    text = row[column] if column < len(row) else ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f'{key}: {path}, line {line}: found "{text[:40]}", expected a number. Correct that line.')
    return value


def _check_profile(path: Path, key: str, profile: Array) -> None:
    if len(profile) < _FEWEST_ROWS:
        raise InputError(f"{key}: {path}: found {len(profile)} rows, expected at least {_FEWEST_ROWS}. Add rows.")
    if profile[0, 0] < 0.0:
        raise InputError(f"{key}: {path}: found r_mm = {profile[0, 0]:g}, expected 0 or more. r is a radius.")
    steps = np.diff(profile[:, 0])
    if np.any(steps <= 0.0):
        row = int(np.argmax(steps <= 0.0)) + 1
        raise InputError(
            f"{key}: {path}: found r_mm = {profile[row, 0]:g} after {profile[row - 1, 0]:g}, "
            "expected r_mm to increase. Sort the rows by r_mm and remove repeated ones."
        )
    if profile[-1, 0] < _SMALLEST_RADIUS_MM:
        raise InputError(
            f"{key}: {path}: the largest r_mm is {profile[-1, 0]:g}, too small for a mirror; in metres it would be "
            f"{1000 * profile[-1, 0]:g} mm, in inches {25.4 * profile[-1, 0]:.4g} mm. Write it in millimetres."
        )


def write_stl(path: Path, mesh: TriangleMesh, *, replace: bool = False) -> None:
    """Write a mesh as binary STL, whole; see `stl_bytes`."""
    write_bytes(path, stl_bytes(mesh), replace=replace)


def stl_bytes(mesh: TriangleMesh) -> bytes:
    """A mesh as binary STL; coordinates are rounded to float32, as the format has it.

    Normals are those of the right-hand rule over each triangle's corners; (0, 0, 0) where a triangle has no area.
    """
    corners_mm = mesh.vertices_mm[mesh.faces]
    across = np.cross(corners_mm[:, 1] - corners_mm[:, 0], corners_mm[:, 2] - corners_mm[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    records = np.zeros(len(mesh.faces), _RECORD)
    records["floats"][:, 0] = np.divide(across, length, out=np.zeros_like(across), where=length > 0.0)
    records["floats"][:, 1:] = corners_mm
    return b"binary STL, millimetres".ljust(80) + len(records).to_bytes(4, "little") + records.tobytes()


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
    text = data[_JSON_AT : _JSON_AT + int.from_bytes(data[_CHUNK], "little")] if data.startswith(_MAGIC) else data
    scene = json.loads(text)
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


def _triangles(part: Any, lengths: list[int]) -> int:
    corners: int = lengths[part["indices"] if "indices" in part else part["attributes"]["POSITION"]]
    return corners // 3 if part.get("mode", _TRIANGLES) == _TRIANGLES else corners


_HEAD = 84  # 80 bytes of anything, then the number of triangles
_RECORD = np.dtype([("floats", "<f4", (4, 3)), ("attribute", "<u2")])
_COUNT_OFF = 1  # some exporters count the triangle that they did not write
_TEXT_START = 4096  # bytes within which a text file shows its first facet, after a long name
_VERTEX = re.compile(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)


def stl_triangles(data: bytes) -> Array:
    """(M, 3, 3) corners of the triangles of an STL file.

    Raises
    ------
    ValueError
        With the reason, where the bytes are neither of the format's two kinds or have been cut off.
    """
    if data[:_TEXT_START].lstrip()[:5].lower() == b"solid" and b"facet" in data[:_TEXT_START].lower():
        return _text(data)
    return _binary(data)


def _binary(data: bytes) -> Array:
    if len(data) < _HEAD:
        raise ValueError(f"it has {len(data)} bytes, a binary STL at least {_HEAD}")
    said = int.from_bytes(data[80:_HEAD], "little")
    there = (len(data) - _HEAD) // _RECORD.itemsize
    rest = (len(data) - _HEAD) % _RECORD.itemsize
    if abs(said - there) > _COUNT_OFF or (said > there and rest):
        raise ValueError(f"it announces {said} triangles and holds {there}: it was cut off, or is no STL")
    records = np.frombuffer(data, _RECORD, count=there, offset=_HEAD)
    with np.errstate(invalid="ignore"):  # of a damaged file some are no numbers, which is told later
        return records["floats"][:, 1:].astype(np.float64)


def _text(data: bytes) -> Array:
    found = _VERTEX.findall(data)
    facets = len(re.findall(rb"\bendfacet\b", data, re.IGNORECASE))
    if len(found) != 3 * facets:
        raise ValueError(f"it has {facets} facets and {len(found)} vertices, not three each: it was cut off or edited")
    try:
        return np.array(found, dtype=np.bytes_).astype(np.float64).reshape(-1, 3, 3)
    except ValueError as error:
        raise ValueError(f"a vertex is not three numbers ({error}); decimals want a point") from error
