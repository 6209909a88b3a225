"""Missing, truncated, foreign and tampered files: one InputError line, never a traceback."""

import contextlib
import itertools
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, Noise, Response
from rigwarp.errors import InputError
from rigwarp.files import (
    list_photos,
    read_adjustment,
    read_as_built,
    read_camera,
    read_decoded,
    read_map,
    read_map_sigmas,
    read_mesh,
    read_patterns,
    read_photo,
    read_prewarp,
    read_profile,
    write_adjustment,
    write_camera,
    write_decoded,
    write_json,
    write_map,
    write_npz,
    write_patterns,
    write_picture,
    write_prewarp,
    write_stl,
)
from rigwarp.geometry import PixelMap, TriangleMesh
from rigwarp.patterns import fast_set
from rigwarp.prewarp import Adjustment, Drag, Prewarp

Reader = Callable[[Path], Any]


def write_all(folder: Path) -> dict[str, Reader]:
    """One good file of each kind, and what reads it."""
    one = np.ones((6, 8))
    write_map(
        folder / "map.npz",
        PixelMap(x_mm=one, y_mm=one, sigma_mm=one, zone=np.zeros((6, 8), np.int16), measured=one > 0),
        rig_hash="h",
    )
    write_camera(
        folder / "camera.json",
        CameraModel(
            resolution=(64, 48),
            matrix=np.array([[60.0, 0, 32], [0, 60, 24], [0, 0, 1]]),
            distortion=np.zeros(5),
            R_camera_from_table=np.diag([1.0, -1, -1]),
            t_camera_from_table_mm=np.array([0.0, 0, 700]),
        ),
    )
    write_patterns(folder / "patterns.json", fast_set((64, 48), transfer=2.2))
    write_decoded(
        folder / "decoded.npz",
        Decoded(
            **dict.fromkeys(("u_px", "v_px", "sigma_u_px", "sigma_v_px", "light", "chi2"), one),
            reason=np.zeros((6, 8), np.uint8),
            response=Response(
                shape=1.0, shape_sigma=0.1, full_scale=255, level_codes=np.arange(3.0), level_light=np.arange(3.0)
            ),
            noise=Noise(floor=1.0, per_light=0.5),
            harmonics={},
        ),
    )
    write_prewarp(
        folder / "prewarp.npz",
        Prewarp(
            projector_resolution=(8, 6),
            content_pixels=(10, 10),
            vertices_px=np.zeros((3, 2)),
            content_px=np.zeros((3, 2)),
            triangles=np.array([[0, 1, 2]], np.int32),
            triangle_zone=np.zeros(1, np.int16),
            zone=np.zeros((6, 8), np.int16),
            gain=np.ones((6, 8), np.float32),
            transfer=2.2,
            mesh_error_px=0.01,
        ),
    )
    write_picture(folder / "photo.png", np.arange(4800, dtype=np.uint16).reshape(60, 80))
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0.5]])
    write_stl(folder / "mirror.stl", TriangleMesh(vertices_mm=corners, faces=np.array([[0, 1, 2], [1, 3, 2]])))
    axis, layers = np.arange(4.0), ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")
    grids = {"x_mm": axis, "y_mm": axis, "zone": np.zeros((4, 4), np.int16), **dict.fromkeys(layers, np.ones((4, 4)))}
    write_npz(folder / "as_built.npz", grids, format="rigwarp as built")
    write_json(folder / "as_built.json", {"figures": {f"n{i}": i for i in range(40)}}, format="rigwarp as built")
    write_adjustment(folder / "adjust.json", Adjustment(drags=(Drag(at_mm=(1, 2), by_mm=(3, 4)),)), revision=3)
    (folder / "profile.csv").write_text("r_mm,z_mm\n0,0\n1,0.1\n2,0.4\n3,0.9\n")
    return {
        "map.npz": read_map,
        "decoded.npz": read_decoded,
        "camera.json": read_camera,
        "patterns.json": read_patterns,
        "prewarp.npz": read_prewarp,
        "photo.png": read_photo,
        "mirror.stl": lambda path: read_mesh(path, key="rig.toml: mirror.file"),
        "as_built.npz": lambda path: read_as_built(path.parent),
        "as_built.json": lambda path: read_as_built(path.parent),
        "adjust.json": read_adjustment,
        "profile.csv": lambda path: read_profile(path, key="rig.toml: mirror.file"),
    }


KINDS = [
    "map.npz",
    "decoded.npz",
    "camera.json",
    "patterns.json",
    "prewarp.npz",
    "photo.png",
    "mirror.stl",
    "as_built.npz",
    "as_built.json",
    "adjust.json",
    "profile.csv",
]


def fails(reader: Reader, path: Path) -> str:
    with pytest.raises(InputError) as caught:
        reader(path)
    said = str(caught.value)
    assert path.name in said
    assert "\n" not in said
    return said


@pytest.mark.parametrize("kind", KINDS)
def test_missing(tmp_path: Path, kind: str) -> None:
    reader = write_all(tmp_path)[kind]
    (tmp_path / kind).unlink()
    assert "no such file" in fails(reader, tmp_path / kind)


@pytest.mark.parametrize("kind", KINDS)
def test_a_folder_of_that_name(tmp_path: Path, kind: str) -> None:
    reader = write_all(tmp_path)[kind]
    (tmp_path / kind).unlink()
    (tmp_path / kind).mkdir()
    fails(reader, tmp_path / kind)


@pytest.mark.parametrize("kind", KINDS)
def test_empty(tmp_path: Path, kind: str) -> None:
    reader = write_all(tmp_path)[kind]
    (tmp_path / kind).write_bytes(b"")
    fails(reader, tmp_path / kind)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "profile.csv"])
def test_truncated(tmp_path: Path, kind: str) -> None:
    reader = write_all(tmp_path)[kind]
    whole = (tmp_path / kind).read_bytes()
    for share in (0.1, 0.5, 0.9, 0.99):
        (tmp_path / kind).write_bytes(whole[: int(share * len(whole))])
        fails(reader, tmp_path / kind)


@pytest.mark.parametrize(("kind", "other"), list(itertools.permutations(KINDS, 2)))
def test_foreign(tmp_path: Path, kind: str, other: str) -> None:
    """Each reader on each other kind of file."""
    reader = write_all(tmp_path)[kind]
    shutil.copy(tmp_path / other, tmp_path / kind)
    fails(reader, tmp_path / kind)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # numbers made of flipped bits overflow in trimesh
def test_flipped_bytes(tmp_path: Path, kind: str) -> None:
    """Random damage: read as something, or refused; nothing else is raised."""
    reader = write_all(tmp_path)[kind]
    whole = np.frombuffer((tmp_path / kind).read_bytes(), np.uint8)
    rng = np.random.default_rng(3)
    for _ in range(150):
        damaged = whole.copy()
        at = rng.integers(0, len(whole), rng.integers(1, 8))
        damaged[at] = rng.integers(0, 256, len(at))
        (tmp_path / kind).write_bytes(damaged.tobytes())
        with contextlib.suppress(InputError):
            reader(tmp_path / kind)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"format": "rigwarp rig"}, "found format"),
        ({"version": 2}, "Update rigwarp"),
        ({"version": "1"}, "found version"),
        ({"resolution": [64.5, 48]}, "resolution"),
        ({"resolution": None}, "resolution: found nothing"),
        ({"matrix": [[1, 2], [3, 4]]}, "matrix"),
        ({"matrix": [[60, 0, 32], [0, 60, 24], [0, 0]]}, "matrix"),
        ({"matrix": [[60, 5, 32], [0, 60, 24], [0, 0, 1]]}, "skew"),
        ({"matrix": [[-60, 0, 32], [0, 60, 24], [0, 0, 1]]}, "focal"),
        ({"distortion": [0, 0, 0, 0]}, "distortion"),
        ({"distortion": [0, 0, 0, 0, True]}, "distortion"),
        ({"distortion": [0, 0, 0, 0, "0"]}, "distortion"),
        ({"distortion": [0, 0, 0, 0, 10**400]}, "distortion"),
        ({"R_camera_from_table": [[1, 0, 0], [0, 1, 0], [0, 0, -1]]}, "rotation"),
        ({"R_camera_from_table": [[1, 0.1, 0], [0, 1, 0], [0, 0, 1]]}, "rotation"),
        ({"t_camera_from_table_mm": [0, 0]}, "t_camera_from_table_mm"),
        ({"t_camera_from_table_mm": [0, 0, 1e200]}, "t_camera_from_table_mm"),
        ({"covariance": [[1.0]]}, "covariance"),
        ({"covariance": (-np.eye(15)).tolist()}, "covariance"),
    ],
)
def test_camera_values(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    write_all(tmp_path)
    path = tmp_path / "camera.json"
    contents = json.loads(path.read_text()) | changes
    path.write_text(json.dumps(contents))
    assert words in fails(read_camera, path)


@pytest.mark.parametrize("text", ["NaN", "1e999", "-Infinity", "[" * 100000])
def test_json_that_is_no_json(tmp_path: Path, text: str) -> None:
    path = tmp_path / "camera.json"
    path.write_text(f'{{"format": "rigwarp camera", "version": 1, "x": {text}}}')
    assert "not a readable JSON" in fails(read_camera, path)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"x_mm": np.ones((6, 7))}, "shape"),
        ({"x_mm": np.ones((6, 8), int)}, "type"),
        ({"zone": np.zeros((6, 8))}, "type"),
        ({"zone": np.full((6, 8), -2, np.int16)}, "zone"),
        ({"measured": np.ones((6, 8), np.int16)}, "type"),
        ({"sigma_mm": np.full((6, 8), -1.0)}, "negative"),
        ({"sigma_mm": np.full((6, 8), np.nan)}, "without sigma"),
        ({"y_mm": np.full((6, 8), np.nan)}, "one coordinate"),
        ({"x_mm": np.full((6, 8), np.inf)}, "infinite"),
        ({"x_mm": None}, "no array x_mm"),
        ({"header": None}, "no header"),
        ({"header": np.array("{")}, "header is not JSON"),
        ({"header": np.array("[1]")}, "not a JSON object"),
        ({"header": np.array('{"format": "rigwarp prewarp", "version": 1}')}, "found format"),
        ({"header": np.array([1.0])}, "no header"),
    ],
)
def test_map_values(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    write_all(tmp_path)
    path = tmp_path / "map.npz"
    with np.load(path) as file:
        arrays = {name: file[name] for name in file.files} | changes
    np.savez(path, **{name: value for name, value in arrays.items() if value is not None})
    assert words in fails(read_map, path)


def test_a_map_without_its_parts_of_uncertainty(tmp_path: Path) -> None:
    """A map of an older version, or a design: what the budget needs is asked for by name."""
    write_all(tmp_path)
    assert "sigma_decode_mm" in fails(read_map_sigmas, tmp_path / "map.npz")
    with np.load(tmp_path / "map.npz") as file:
        arrays = {name: file[name] for name in file.files}
    parts = {f"sigma_{part}_mm": np.ones((6, 8)) for part in ("decode", "random", "common")}
    np.savez(tmp_path / "map.npz", **arrays, **parts)
    assert set(read_map_sigmas(tmp_path / "map.npz")) == set(parts)
    np.savez(tmp_path / "map.npz", **arrays, **parts | {"sigma_random_mm": np.ones((6, 7))})
    assert "shape" in fails(read_map_sigmas, tmp_path / "map.npz")


def test_pickled_arrays_are_not_opened(tmp_path: Path) -> None:
    """A pickle can run any code."""
    path = tmp_path / "map.npz"
    np.savez(path, x_mm=np.array([{"a": 1}]), header=np.array("{}"))
    fails(read_map, path)
    np.save(path.with_suffix(".npy"), np.zeros(3))
    path.with_suffix(".npy").rename(path)
    fails(read_map, path)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"triangles": np.array([[0, 1, 3]], np.int32)}, "not there"),
        ({"triangles": np.array([[0, 1, -1]], np.int32)}, "not there"),
        ({"gain": np.full((6, 8), np.nan, np.float32)}, "gain"),
        ({"gain": np.ones((6, 9), np.float32)}, "shape"),
        ({"vertices_px": np.full((3, 2), np.nan)}, "vertex"),
        ({"content_px": np.zeros((4, 2))}, "shape"),
    ],
)
def test_prewarp_values(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    write_all(tmp_path)
    path = tmp_path / "prewarp.npz"
    with np.load(path) as file:
        arrays = {name: file[name] for name in file.files} | changes
    np.savez(path, **arrays)
    assert words in fails(read_prewarp, path)


def test_decoded_values_belong_to_decoded_pixels(tmp_path: Path) -> None:
    write_all(tmp_path)
    path = tmp_path / "decoded.npz"
    with np.load(path) as file:
        arrays = {name: file[name] for name in file.files}
    np.savez(path, **(arrays | {"pixel": arrays["pixel"] + 1}))
    assert "other pixels" in fails(read_decoded, path)
    header = json.loads(str(arrays["header"]))
    del header["noise"]
    np.savez(path, **(arrays | {"header": np.array(json.dumps(header))}))
    assert "header is incomplete" in fails(read_decoded, path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("r;z\n0;0\n", "commas"),
        ("r_mm,z_mm\n", "0 rows"),
        ("r_mm,z_mm\n0,0\n1,0,1\n2\n3,4\n", "line 4"),
        ("r_mm,z_mm\n0,0\n1,nan\n2,1\n3,4\n", "line 3"),
        ("r_mm,z_mm\n0,0\n2,1\n1,3\n3,4\n", "increase"),
        ("r_mm,z_mm\n-1,0\n2,1\n3,3\n4,4\n", "radius"),
        ('r_mm,z_mm\n"0,0\n2,1\n3,"3\n4,x\n', "line 5"),
    ],
)
def test_profile_values(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "profile.csv"
    path.write_text(text)
    assert words in fails(lambda p: read_profile(p, key="rig.toml: mirror.file"), path)


@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_truncated_photo(tmp_path: Path, ending: str) -> None:
    """A half-copied photograph must not come back with a black or grey rest."""
    path = tmp_path / f"photo.{ending}"
    blurred = cv2.GaussianBlur(np.random.default_rng(1).integers(0, 255, (90, 120)).astype(np.uint8), (0, 0), 3)
    whole = cv2.imencode(f".{ending}", blurred)[1].tobytes()
    for share in (0.3, 0.6, 0.9, 0.99):
        path.write_bytes(whole[: int(share * len(whole))])
        assert "cannot be read" in fails(read_photo, path)


def test_pictures_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "photo.webp"
    path.write_bytes(b"RIFF")
    assert "expected png, jpg or tif" in fails(read_photo, path)
    with pytest.raises(InputError, match="no photograph"):
        list_photos(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        list_photos(tmp_path / "nowhere")


def test_point_cloud_is_no_mesh(tmp_path: Path) -> None:
    path = tmp_path / "part.ply"
    path.write_text(
        "ply\nformat ascii 1.0\nelement vertex 1\n"
        "property float x\nproperty float y\nproperty float z\nend_header\n0 0 0\n"
    )
    fails(lambda p: read_mesh(p, key="rig.toml: mirror.file"), path)
