"""CAD files as they come: STL with small faults, 3MF with units and assemblies, glTF in metres, STEP by its kernel."""

import io
import json
import struct
import time
import zipfile

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.files import mesh_limits, step
from rigwarp.files.shapes import read_mesh, read_profile

_CORNERS = np.array([[[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[10, 0, 0], [10, 10, 1], [0, 10, 0]]], np.float32)


def _binary(triangles=_CORNERS, *, count=None, after=b"", head=b"solid no text"):
    body = b"".join(struct.pack("<12fH", 0, 0, 1, *t.ravel(), 0) for t in triangles)
    return head.ljust(80) + struct.pack("<I", len(triangles) if count is None else count) + body + after


def _text(name=b"part", lines=b""):
    facets = b"".join(
        b" facet normal 0 0 1\n  outer loop\n"
        + b"".join(b"   vertex %g %g %g\n" % tuple(p) for p in triangle.tolist())
        + b"  endloop\n endfacet\n"
        for triangle in _CORNERS
    )
    return b"solid " + name + b"\n" + facets + lines + b"endsolid\n"


@pytest.mark.parametrize(
    "data",
    [
        _binary(),
        _binary(after=b"\0\0"),
        _binary(count=1),
        _binary(count=3),
        _text(),
        _text(name="Spiegel groß".encode("latin-1")),
        _text().replace(b"\n", b"\r\n"),
        _text().upper().replace(b"SOLID", b"solid", 1),
    ],
    ids=["binary", "two bytes more", "one counted less", "one counted more", "text", "Latin-1", "CRLF", "capitals"],
)
def test_stl_is_read_as_it_comes(tmp_path, data):
    (tmp_path / "m.stl").write_bytes(data)
    mesh = read_mesh(tmp_path / "m.stl", key="mirror.file")
    np.testing.assert_array_equal(mesh.vertices_mm[mesh.faces], _CORNERS)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (_binary(count=900), "announces 900 triangles and holds 2"),
        (_binary()[:70], "70 bytes"),
        (_text().replace(b"   vertex 10 10 1\n", b""), "2 facets and 5 vertices"),
        (_text().replace(b"10 10 1", b"10,5 10 1"), "decimals want a point"),
    ],
    ids=["cut off", "no head", "a vertex lost", "decimal comma"],
)
def test_what_is_no_whole_stl_is_refused_with_the_reason(tmp_path, data, says):
    (tmp_path / "m.stl").write_bytes(data)
    with pytest.raises(InputError, match=says):
        read_mesh(tmp_path / "m.stl", key="mirror.file")


def _three_mf(unit, build):
    vertices = "".join(f'<vertex x="{x:g}" y="{y:g}" z="{z:g}"/>' for x, y, z in _CORNERS.reshape(-1, 3))
    model = (
        f'<model unit="{unit}" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources>'
        f'<object id="1"><mesh><vertices>{vertices}</vertices><triangles><triangle v1="0" v2="1" v3="2"/>'
        '<triangle v1="3" v2="4" v3="5"/></triangles></mesh></object><object id="2"><components>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 5 0 0"/></components></object></resources>'
        f"<build>{build}</build></model>"
    )
    return _zipped(model)


def _zipped(model):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", model)
    return packed.getvalue()


def test_3mf_bodies_are_placed_and_scaled(tmp_path):
    """3MF Core Specification: row vectors times the component's, then the item's transform; units of the model."""
    build = '<item objectid="1"/><item objectid="2" transform="0 1 0 -1 0 0 0 0 1 0 0 2"/>'
    (tmp_path / "m.3mf").write_bytes(_three_mf("centimeter", build))
    mesh = read_mesh(tmp_path / "m.3mf", key="mirror.file")
    assert len(mesh.faces) == 4
    found = mesh.vertices_mm[mesh.faces]
    np.testing.assert_allclose(found[:2], 10.0 * _CORNERS)
    moved = _CORNERS + np.float32([5, 0, 0])
    turned = np.stack([-moved[..., 1], moved[..., 0], moved[..., 2] + 2.0], axis=-1)
    np.testing.assert_allclose(found[2:], 10.0 * turned)


def test_a_3mf_without_anything_on_its_plate_is_refused(tmp_path):
    (tmp_path / "m.3mf").write_bytes(_three_mf("inch", ""))
    with pytest.raises(InputError, match="build plate is empty"):
        read_mesh(tmp_path / "m.3mf", key="mirror.file")


def test_gltf_is_in_metres(tmp_path):
    import trimesh

    part = trimesh.Trimesh(vertices=_CORNERS.reshape(-1, 3) / 1000.0, faces=[[0, 1, 2], [3, 4, 5]], process=False)
    (tmp_path / "m.glb").write_bytes(part.export(file_type="glb"))
    mesh = read_mesh(tmp_path / "m.glb", key="mirror.file")
    np.testing.assert_allclose(mesh.vertices_mm[mesh.faces], _CORNERS, atol=1e-4)


def test_a_gltf_whose_points_are_in_another_file_is_told_so(tmp_path):
    scene = {"asset": {"version": "2.0"}, "buffers": [{"uri": "part.bin", "byteLength": 12}]}
    (tmp_path / "m.gltf").write_text(json.dumps(scene), encoding="utf-8")
    with pytest.raises(InputError, match=r"in another file, part.bin.*as .glb"):
        read_mesh(tmp_path / "m.gltf", key="mirror.file")


def _write_step_sphere(path):
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    writer = STEPControl_Writer()
    writer.Transfer(BRepPrimAPI_MakeSphere(50.0).Shape(), STEPControl_AsIs)
    writer.Write(str(path))


def test_step_faces_are_exact(tmp_path):
    """A sphere of 50 mm that the kernel writes itself: every point lies on it, to rounding."""
    _write_step_sphere(tmp_path / "m.step")
    mesh = read_mesh(tmp_path / "m.step", key="mirror.file")
    there = np.isfinite(mesh.on_surface_mm).all(axis=-1)  # large triangles have more points than small ones
    assert there.sum(axis=1).min() >= 3
    for points in (mesh.vertices_mm, mesh.on_surface_mm[there]):
        np.testing.assert_allclose(np.linalg.norm(points, axis=-1), 50.0, atol=1e-9)
    corners = mesh.vertices_mm[mesh.faces]
    outward = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert (np.sum(outward * corners.mean(axis=1), axis=1) >= 0.0).all()


def test_step_without_its_kernel_names_the_extra(tmp_path, monkeypatch):
    import sys

    for name in [n for n in sys.modules if n == "OCP" or n.startswith("OCP.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "OCP", None)
    (tmp_path / "m.step").write_bytes(b"ISO-10303-21;")
    with pytest.raises(InputError, match=r"rigwarp\[step\]"):
        read_mesh(tmp_path / "m.step", key="mirror.file")


@pytest.mark.parametrize(
    ("limit", "value", "says"), [("MOST_S", 0.01, "more than 0.01 s"), ("MOST_BYTES", 1 << 20, "more than 0 GB|memory")]
)
def test_a_step_file_that_asks_for_too_much_is_given_up(tmp_path, monkeypatch, limit, value, says):
    """The limits are set below what any file needs; the kernel runs, and ends, beside this process."""
    _write_step_sphere(tmp_path / "m.step")
    monkeypatch.setattr(step, limit, value)
    with pytest.raises(InputError, match=says):
        read_mesh(tmp_path / "m.step", key="mirror.file")


def test_a_broken_step_file_is_refused(tmp_path):
    (tmp_path / "m.step").write_bytes(b"no step at all")
    with pytest.raises(InputError, match=r"cannot be read as STEP"):
        read_mesh(tmp_path / "m.step", key="mirror.file")


def _gltf(rows, nodes):
    """Triangles whose corners are zeros that the file need not hold: accessors without a view (glTF 2.0, 5.1.1)."""
    accessors = [{"componentType": 5126, "type": "VEC3"}, {"componentType": 5125, "type": "SCALAR"}]
    scene = {
        "asset": {"version": "2.0"},
        "scenes": [{"nodes": list(range(nodes))}],
        "nodes": [{"mesh": 0}] * nodes,
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [{"count": rows, **accessor} for accessor in accessors],
        "buffers": [{"byteLength": 3, "uri": "data:application/octet-stream;base64,AAAA"}],
        "bufferViews": [{"buffer": 0, "byteLength": 3}],
    }
    return json.dumps(scene).encode()


def _glb(text):
    text += b" " * (-len(text) % 4)
    return struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text


def _assembly():
    """Ten of the one before, eight times over: a hundred million triangles in 3 kB."""
    body = '<object id="0"><mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" '
    body += 'z="0"/></vertices><triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh></object>'
    for n in range(1, 9):
        body += f'<object id="{n}"><components>' + f'<component objectid="{n - 1}"/>' * 10 + "</components></object>"
    return f'<model><resources>{body}</resources><build><item objectid="8"/></build></model>'


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("m.3mf", lambda: _zipped(b" " * (130 << 20)), "unpacks to 130 MiB, at most 128"),
        ("m.3mf", lambda: _zipped(_assembly()), "places more than 10000 bodies"),
        ("m.gltf", lambda: _gltf(30_000_000, 1), "60.0 million rows, at most 31.8"),
        ("m.glb", lambda: _glb(_gltf(6_000_000, 3)), "6.0 million triangles, at most 5.3"),
    ],
    ids=["3MF unpacks", "3MF assembly", "glTF zeros", "glTF places"],
)
def test_small_files_that_hold_too_much_are_refused_before_it_is_unpacked(tmp_path, name, data, says):
    (tmp_path / name).write_bytes(data())
    began = time.process_time()
    with pytest.raises(InputError, match=says):
        read_mesh(tmp_path / name, key="mirror.file")
    assert time.process_time() - began < 5.0  # unpacked, each would take minutes or gigabytes


@pytest.mark.parametrize("ending", ["3mf", "glb", "step"])
def test_too_many_triangles_are_refused_in_every_format(tmp_path, monkeypatch, ending):
    """The limit is set below a small part's, instead of writing millions."""
    if ending == "step":
        _write_step_sphere(tmp_path / "m.step")
    elif ending == "glb":
        (tmp_path / "m.glb").write_bytes(_glb(_gltf(30, 1)))
    else:
        (tmp_path / "m.3mf").write_bytes(_three_mf("inch", '<item objectid="1"/>' * 3))
    monkeypatch.setattr(mesh_limits, "MOST_TRIANGLES", 5)
    with pytest.raises(InputError, match="million triangles, at most"):
        read_mesh(tmp_path / f"m.{ending}", key="mirror.file")


_ROWS = np.column_stack([np.linspace(0.0, 60.0, 7), np.linspace(0.0, 60.0, 7) ** 2 / 500.0])


@pytest.mark.parametrize(
    "rows",
    [_ROWS, _ROWS[::-1], np.repeat(_ROWS, [1, 1, 2, 1, 3, 1, 1], axis=0), np.repeat(_ROWS, 2, axis=0)[::-1]],
    ids=["outwards", "inwards", "rows twice", "inwards and twice"],
)
def test_a_profile_is_read_as_it_comes(tmp_path, rows):
    np.savetxt(tmp_path / "p.csv", rows, delimiter=",", header="r_mm,z_mm", comments="", fmt="%.17g")
    np.testing.assert_array_equal(read_profile(tmp_path / "p.csv", key="mirror.file"), _ROWS)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (_ROWS / 1000.0, r"is 0.06, too small for a mirror; in metres it would be 60 mm"),
        (_ROWS[[0, 1, 2, 2, 3, 4]] + np.array([[0, 0]] * 3 + [[0, 1.0]] + [[0, 0]] * 2), "after 20, expected r_mm to"),
        (_ROWS[[0, 1, 3, 2, 4]], "found r_mm = 20 after 30"),
    ],
    ids=["metres", "two heights of one radius", "out of order"],
)
def test_a_profile_that_says_two_things_is_refused(tmp_path, rows, says):
    np.savetxt(tmp_path / "p.csv", rows, delimiter=",", header="r_mm,z_mm", comments="", fmt="%.17g")
    with pytest.raises(InputError, match=says):
        read_profile(tmp_path / "p.csv", key="mirror.file")
