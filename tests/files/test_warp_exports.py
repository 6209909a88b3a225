"""Exported warps, read back by outside libraries as their README says: our own warp, and a map in closed form."""

import io
import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import cv2
import numpy as np
import OpenEXR
import pytest
import trimesh
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.ndimage import map_coordinates

from rigwarp.files import WARP_FORMATS, write_warp_files
from rigwarp.geometry import PixelMap
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.live.render.warp import warp_of
from rigwarp.prewarp import Adjustment, Drag, PlainWarp, build_prewarp, content_coordinates, plain_warp
from rigwarp.rig import Content
from rigwarp.rig.canvas import table_to_content
from rigwarp.rig.transfer import decode_transfer, encode_transfer

WIDTH, HEIGHT = 320, 180
CONTENT = Content(
    shape="rectangle", size_mm=(200.0, 120.0), centre_mm=np.array([4.0, -3.0]), rotation_rad=0.1, pixels=(800, 480)
)
ABOUT = {"name": "Bench & Co", "result": "20260102T030405Z", "corrected_by_hand": False}
LIMIT_PX = 0.05  # content pixels: what an export may differ from our own warp
SEEDED = 400  # projector pixels looked at


def table_mm(u: Any, v: Any) -> Any:
    """A bent map in closed form with a crease at u = 160: two zones that overlap a little on the table."""
    bend = np.where(u < 160, 4.0, -4.0)
    x = (u - 160) * 0.75 + 0.002 * (u - 160) * np.abs(u - 160) + bend + 5 * np.sin(v / 30)
    y = (90 - v) * 0.9 + 6 * np.cos(u / 40)
    return np.stack([x, y], axis=-1)


@pytest.fixture(scope="module")
def warp() -> PlainWarp:
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    spots = table_mm(u, v)
    table_map = PixelMap(
        x_mm=spots[..., 0],
        y_mm=spots[..., 1],
        sigma_mm=np.full(u.shape, 0.01),
        zone=(u >= 160).astype(np.int16),
        measured=np.ones(u.shape, bool),
    )
    return plain_warp(build_prewarp(table_map, CONTENT, 2.2, light=1.5 - u / 400), CONTENT)


@pytest.fixture(scope="module")
def exported(warp: PlainWarp, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("exports")
    for name in WARP_FORMATS:
        (root / name).mkdir()
        write_warp_files(root / name, warp, name, ABOUT)
    return root


def meshes_at(pieces: list[tuple[Any, Any, Any]], u: Any, v: Any, zone: Any, unit: float) -> Any:
    """Texture places of pixel centres: each zone's mesh interpolated by matplotlib, origin at the lower left."""
    x, y = (u + 0.5) * unit, (HEIGHT - (v + 0.5)) * unit
    found = np.full((len(u), 2), np.nan)
    for number, (vertices, faces, places) in enumerate(pieces):
        mesh = Triangulation(vertices[:, 0], vertices[:, 1], faces)
        here = zone == number
        for axis in (0, 1):
            found[here, axis] = LinearTriInterpolator(mesh, places[:, axis])(x[here], y[here]).filled(np.nan)
    return found


def from_obj(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    mesh = trimesh.load(folder / "warp.obj", process=False, maintain_order=True)
    normals = mesh.face_normals
    assert np.allclose(normals, [0, 0, 1])  # counter-clockwise seen from +z
    parts = trimesh.graph.connected_components(mesh.edges, nodes=np.arange(len(mesh.vertices)))
    assert len(parts) == 2  # no vertex is shared by two zones
    pieces = []
    for part in sorted(parts, key=lambda part: mesh.vertices[part, 0].mean()):
        faces = mesh.faces[np.isin(mesh.faces, part).all(axis=1)]
        pieces.append((mesh.vertices, faces, mesh.visual.uv))
    s, t = meshes_at(pieces, u, v, zone, 1.0).T
    return np.stack([s * 800 - 0.5, (1 - t) * 480 - 0.5], axis=-1)


def from_gltf(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    scene = trimesh.load(folder / "warp.glb", process=False)
    assert list(scene.geometry) == ["zone 0", "zone 1"]
    # trimesh turns TEXCOORD_0, whose origin glTF puts at the upper left, to a lower left one
    pieces = [(mesh.vertices, mesh.faces, mesh.visual.uv) for mesh in scene.geometry.values()]
    assert all(np.allclose(mesh.face_normals, [0, 0, 1]) for mesh in scene.geometry.values())
    s, t = meshes_at(pieces, u, v, zone, 0.001).T
    return np.stack([s * 800 - 0.5, (1 - t) * 480 - 0.5], axis=-1)


def from_pfm(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    picture = cv2.imread(str(folder / "warp.pfm"), cv2.IMREAD_UNCHANGED)[..., ::-1]  # OpenCV has blue first
    return picture[v, u, :2]


def from_exr(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    with OpenEXR.File(str(folder / "warp.exr")) as file:
        picture = file.channels()["RGBA"].pixels
    s, t = picture[v, u, 0], picture[v, u, 1]
    return np.stack([s * 800 - 0.5, (1 - t) * 480 - 0.5], axis=-1)


def from_csv(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    table = np.genfromtxt(folder / "warp.csv", delimiter=",", names=True)
    by_pixel = {(int(row["u_px"]), int(row["v_px"])): row for row in table}
    rows = [by_pixel[pixel] for pixel in zip(u.tolist(), v.tolist(), strict=True)]
    assert [int(row["zone"]) for row in rows] == zone.tolist()
    return np.array([[row["content_u_px"], row["content_v_px"]] for row in rows])


def from_npz(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    with np.load(folder / "warp.npz", allow_pickle=False) as arrays:
        return np.stack([arrays["content_u_px"][v, u], arrays["content_v_px"][v, u]], axis=-1)


def from_mpcdi(folder: Path, u: Any, v: Any, zone: Any) -> Any:
    with zipfile.ZipFile(folder / "warp.mpcdi") as archive:
        tree = ET.fromstring(archive.read("mpcdi.xml"))
        path = tree.findtext("files/fileset/geometryWarpFile/path")
        picture = cv2.imdecode(np.frombuffer(archive.read(str(path)), np.uint8), cv2.IMREAD_UNCHANGED)
        alpha = cv2.imdecode(np.frombuffer(archive.read("alpha.png"), np.uint8), cv2.IMREAD_UNCHANGED)
    region = tree.find("display/buffer/region")
    assert region is not None
    assert (region.get("Xresolution"), region.get("Yresolution"), region.get("id")) == ("320", "180", "Bench & Co")
    assert np.array_equal(alpha, cv2.imread(str(folder / "gain.png"), cv2.IMREAD_UNCHANGED))
    return picture[v, u, 2:0:-1] * [800, 480] - 0.5


READERS: dict[str, Callable[..., Any]] = {
    "obj": from_obj,
    "gltf": from_gltf,
    "pfm": from_pfm,
    "exr": from_exr,
    "csv": from_csv,
    "npz": from_npz,
    "mpcdi": from_mpcdi,
}


def test_every_format_is_read_back() -> None:
    assert set(READERS) == set(WARP_FORMATS)


@pytest.mark.parametrize("name", list(WARP_FORMATS))
def test_export_reproduces_our_warp(exported: Path, warp: PlainWarp, name: str) -> None:
    """At random lit pixels: our own interpolation of the mesh, and the map it was made from, in closed form."""
    rng = np.random.default_rng(8)
    v, u = rng.permutation(np.argwhere(warp.lit))[:SEEDED].T
    zone = warp.prewarp.zone[v, u]
    assert set(zone) == {0, 1}
    found = READERS[name](exported / name, u, v, zone)
    assert np.abs(found - content_coordinates(warp.prewarp)[v, u]).max() < LIMIT_PX
    truth = table_to_content(CONTENT, table_mm(u, v))
    assert np.linalg.norm(found - truth, axis=-1).max() < 0.05 + 1e-3  # the mesh's own tolerance; float32


def test_no_lit_pixel_lies_on_the_edge_of_its_mesh(warp: PlainWarp) -> None:
    """A GPU draws a pixel whose centre lies on a triangle's edge only on two of its sides: seams would show."""
    v, u = np.argwhere(warp.lit).T
    zone, made = warp.prewarp.zone[v, u], warp.prewarp
    for number in (0, 1):
        here = zone == number
        mesh = Triangulation(*made.vertices_px.T, made.triangles[made.triangle_zone == number])
        for du, dv in ((0.01, 0.0), (-0.01, 0.0), (0.0, 0.01), (0.0, -0.01)):
            assert (mesh.get_trifinder()(u[here] + du, v[here] + dv) >= 0).all()


@pytest.mark.parametrize("name", list(WARP_FORMATS))
def test_gain_pictures(exported: Path, warp: PlainWarp, name: str) -> None:
    gain = cv2.imread(str(exported / name / "gain.png"), cv2.IMREAD_UNCHANGED)
    assert gain.dtype == np.uint16
    assert np.abs(gain / 65535.0 - warp.prewarp.gain).max() <= 0.5001 / 65535  # half a code
    code = cv2.imread(str(exported / name / "gain_code.png"), cv2.IMREAD_UNCHANGED) / 65535.0
    assert np.abs(code**2.2 - warp.prewarp.gain).max() < 2.2 * 0.5001 / 65535  # light = code^2.2, slope at most 2.2
    parts = sorted(path.name for path in (exported / name).glob("gain_zone_*.png"))
    assert parts == (["gain_zone_0.png", "gain_zone_1.png"] if name in ("obj", "gltf") else [])
    if parts:
        pictures = [cv2.imread(str(exported / name / part), cv2.IMREAD_UNCHANGED) for part in parts]
        assert np.array_equal(np.maximum(*pictures), gain)
        assert not np.any((pictures[0] > 0) & (pictures[1] > 0))


def test_gain_inside_the_formats(exported: Path, warp: PlainWarp) -> None:
    blue = cv2.imread(str(exported / "pfm" / "warp.pfm"), cv2.IMREAD_UNCHANGED)[..., 0]
    assert np.array_equal(blue, warp.prewarp.gain)
    with OpenEXR.File(str(exported / "exr" / "warp.exr")) as file:
        pixels = file.channels()["RGBA"].pixels
        assert file.header()["dataWindow"][1].tolist() == [WIDTH - 1, HEIGHT - 1]
    assert np.array_equal(pixels[..., 3], warp.prewarp.gain)
    assert np.isfinite(pixels).all()  # NaN would spread through any filter
    table = np.genfromtxt(exported / "csv" / "warp.csv", delimiter=",", names=True)
    assert len(table) == np.count_nonzero(warp.lit)
    v, u = table["v_px"].astype(int), table["u_px"].astype(int)
    assert np.abs(table["gain"] - warp.prewarp.gain[v, u]).max() <= 0.51e-5  # five decimals


def test_gltf_is_laid_out_as_its_specification_says(exported: Path, warp: PlainWarp) -> None:
    """glTF 2.0, 4.4: header, JSON, binary; 3.6 and 3.7: accessors; read by hand, whatever library wrote it."""
    data = (exported / "gltf" / "warp.glb").read_bytes()
    magic, version, total, length, kind = struct.unpack_from("<4sII I4s", data)
    assert (magic, version, total, kind) == (b"glTF", 2, len(data), b"JSON")
    tree = json.loads(data[20 : 20 + length])
    assert data[24 + length : 28 + length] == b"BIN\0"
    assert tree["asset"]["generator"].startswith("rigwarp ")
    assert tree["materials"] == [{"name": "content", "doubleSided": True}]
    assert [tree["nodes"][n] for n in tree["scenes"][0]["nodes"]] == [{"name": f"zone {z}", "mesh": z} for z in (0, 1)]
    for zone, mesh in enumerate(tree["meshes"]):
        (primitive,) = mesh["primitives"]
        assert mesh["name"] == f"zone {zone}"
        assert primitive["mode"] == 4
        used = np.unique(warp.prewarp.triangles[warp.prewarp.triangle_zone == zone])
        sheet = (warp.prewarp.vertices_px[used] + 0.5) * [0.001, -0.001] + [0.0, 0.001 * HEIGHT]
        wanted = {"POSITION": sheet, "TEXCOORD_0": (warp.prewarp.content_px[used] + 0.5) / [800, 480]}
        for name, values in wanted.items():
            accessor = tree["accessors"][primitive["attributes"][name]]
            start = 28 + length + tree["bufferViews"][accessor["bufferView"]].get("byteOffset", 0)
            start += accessor.get("byteOffset", 0)
            columns = int(accessor["type"][-1])
            found = np.frombuffer(data, "<f4", accessor["count"] * columns, start).reshape(-1, columns)
            assert np.abs(found[:, :2] - values).max() < 3e-7  # float32
            assert name != "POSITION" or np.allclose(found.min(axis=0), accessor["min"])  # which positions must state


def test_pfm_is_laid_out_as_netpbm_says(exported: Path, warp: PlainWarp) -> None:
    """pfm(5): three lines of text, then rows from the bottom; a negative scale means little-endian."""
    file = io.BytesIO((exported / "pfm" / "warp.pfm").read_bytes())
    assert [file.readline() for _ in range(3)] == [b"PF\n", b"320 180\n", b"-1.0\n"]
    rows = np.frombuffer(file.read(), "<f4").reshape(HEIGHT, WIDTH, 3)
    assert np.array_equal(rows[-1, :, 2], warp.prewarp.gain[0])


@pytest.mark.parametrize("name", list(WARP_FORMATS))
def test_readme_states_origin_units_and_sizes(exported: Path, name: str) -> None:
    said = (exported / name / "README.md").read_text(encoding="utf-8")
    assert "{" not in said
    for words in ("Bench & Co", "320 x 180", "800 x 480", WARP_FORMATS[name].file, "gamma 2.2", "linear"):
        assert words in said
    assert ("EXPERIMENTAL" in said) == (name == "mpcdi")
    assert all(f"`{path.name}`" in said for path in (exported / name).iterdir() if path.suffix != ".md")


@pytest.mark.parametrize(
    "adjustment",
    [
        Adjustment(shift_mm=(5.0, -2.0), turn_deg=3.0, scale=0.9),
        Adjustment(drags=(Drag(at_mm=(10.0, 5.0), by_mm=(4.0, 2.0), reach_mm=25.0),)),
    ],
    ids=["as a whole", "dragged"],
)
def test_the_correction_by_hand_is_in_mesh_and_map(warp: PlainWarp, adjustment: Adjustment) -> None:
    """What stood at a spot is found where the correction takes it: looked up at the projector pixel nearest to that."""
    corrected = plain_warp(warp.prewarp, CONTENT, adjustment)
    assert corrected.prewarp.mesh_error_px <= LIMIT_PX
    lit = corrected.lit
    assert np.isfinite(corrected.canvas_px[lit]).all()
    # the content pixel that stood at the table position (10, 5) + drag or shift is found there
    if adjustment.drags:
        seen_mm, source_mm = np.array([14.0, 7.0]), np.array([10.0, 5.0])
    else:  # the content's middle goes where the shift says
        seen_mm, source_mm = CONTENT.centre_mm + np.array([5.0, -2.0]), CONTENT.centre_mm
    seen, source = table_to_content(CONTENT, seen_mm), table_to_content(CONTENT, source_mm)
    distance = np.linalg.norm(np.where(lit[..., None], warp.canvas_px, np.inf) - seen, axis=-1)
    v, u = np.unravel_index(np.nanargmin(distance), distance.shape)
    moved = corrected.canvas_px[v, u] - source
    expected = warp.canvas_px[v, u] - seen
    # within a projector pixel of the spot the correction hardly changes; scale and turn act on the rest of that pixel
    assert np.linalg.norm(moved - expected) < 0.2 * np.linalg.norm(expected) + LIMIT_PX


def test_masks_and_brightness_are_in_the_gain(warp: PlainWarp) -> None:
    square = ((0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0))
    corrected = plain_warp(warp.prewarp, CONTENT, Adjustment(brightness=0.5, masks=(square,)))
    v, u = np.mgrid[:HEIGHT, :WIDTH]
    x, y = np.moveaxis(table_mm(u.astype(float), v.astype(float)), -1, 0)
    well_inside = (x > 1) & (x < 19) & (y > 1) & (y < 19)  # a millimetre covers the mesh's tolerance
    well_outside = (x < -1) | (x > 21) | (y < -1) | (y > 21)
    assert not corrected.prewarp.gain[well_inside].any()
    assert np.allclose(corrected.prewarp.gain[well_outside], 0.5 * warp.prewarp.gain[well_outside])
    assert np.array_equal(corrected.prewarp.triangles, warp.prewarp.triangles)


def test_nothing_beyond_the_picture_is_lit(warp: PlainWarp) -> None:
    """Moved by half its width, half of the light has no content to show; moved away altogether, none has."""
    half = plain_warp(warp.prewarp, CONTENT, Adjustment(shift_mm=(100.0, 0.0)))
    assert 0.3 < half.lit.sum() / warp.lit.sum() < 0.7
    shown = half.canvas_px[half.lit]
    assert (np.abs(shown - [399.5, 239.5]) <= [401.1, 241.1]).all()
    away = plain_warp(warp.prewarp, CONTENT, Adjustment(shift_mm=(1000.0, 0.0)))
    assert not away.lit.any()


@pytest.mark.parametrize(
    "adjustment",
    [
        Adjustment(),
        Adjustment(shift_mm=(6.0, -3.0), turn_deg=4.0, scale=0.9, brightness=0.8),
        Adjustment(
            drags=(Drag(at_mm=(10.0, 5.0), by_mm=(4.0, 2.0), reach_mm=30.0),),
            masks=(((-40.0, -20.0), (-10.0, -20.0), (-10.0, 10.0)),),
            flatten_limit=0.8,
        ),
    ],
    ids=["as measured", "moved and dimmed", "dragged, masked, evened out less"],
)
def test_what_the_readme_says_gives_the_picture_that_we_play(
    warp: PlainWarp, tmp_path: Path, adjustment: Adjustment
) -> None:
    """Applied step by step with SciPy, against our own renderer; smooth content, so that filters agree."""
    write_warp_files(tmp_path, plain_warp(warp.prewarp, CONTENT, adjustment), "exr", ABOUT)
    y, x = np.mgrid[:480, :800]
    waves = [127.5 + 110.0 * np.cos(x / a) * np.cos(y / b) for a, b in ((90.0, 70.0), (60.0, 110.0), (120.0, 80.0))]
    picture = np.round(np.dstack(waves)).astype(np.uint8)
    with OpenEXR.File(str(tmp_path / "warp.exr")) as file:
        s, t, _, gain = np.moveaxis(file.channels()["RGBA"].pixels.astype(float), -1, 0)
    at = [(1.0 - t) * 480 - 0.5, s * 800 - 0.5]
    light = decode_transfer(picture / 255.0, "srgb")
    sampled = np.dstack([map_coordinates(light[..., i], at, order=1, cval=0.0) for i in range(3)])
    shown = 255.0 * encode_transfer(sampled * gain[..., None], 2.2)
    ours = ReferenceRenderer(warp_of(warp.prewarp, CONTENT, adjustment=adjustment)).render(picture)
    off = np.abs(shown - ours).max(axis=-1)
    inside = np.all([np.abs(at[0] - 239.5) < 237, np.abs(at[1] - 399.5) < 397], axis=0)  # away from the picture's edge
    # half a code of rounding; 0.05 px of mesh on a slope of at most 2 codes a pixel; what is left is the filters
    assert off[inside].max() < 1.5
    assert np.median(off[inside & (gain > 0)]) < 0.5
    assert (ours[inside & (gain == 0.0)] == 0).all()
    assert inside[gain > 0].mean() > 0.7
