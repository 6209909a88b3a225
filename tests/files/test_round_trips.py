"""Each file: what was written is what is read."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import trimesh
from PIL import Image

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, HarmonicError, Modulation, Noise, Reason, Response
from rigwarp.errors import InputError
from rigwarp.files import (
    read_camera,
    read_camera_extra,
    read_colour,
    read_decoded,
    read_map,
    read_mesh,
    read_patterns,
    read_photo,
    read_prewarp,
    read_profile,
    write_camera,
    write_decoded,
    write_map,
    write_patterns,
    write_picture,
    write_prewarp,
    write_stl,
)
from rigwarp.geometry import PixelMap, TriangleMesh, rotation_from_degrees
from rigwarp.patterns import fast_set
from rigwarp.prewarp import Prewarp

RNG_SEED = 11


def make_map() -> PixelMap:
    rng = np.random.default_rng(RNG_SEED)
    x, y = rng.normal(0, 100, (2, 9, 16))
    x[0, :3] = y[0, :3] = np.nan
    sigma = np.where(np.isnan(x), np.nan, 0.05)
    zone = np.where(np.isnan(x), -1, 0).astype(np.int16)
    return PixelMap(x_mm=x, y_mm=y, sigma_mm=sigma, zone=zone, measured=np.isfinite(x) & (y > 0))


def make_camera(covariance: bool = True) -> CameraModel:
    root = np.random.default_rng(RNG_SEED).normal(size=(15, 15))
    return CameraModel(
        resolution=(1920, 1080),
        matrix=np.array([[1500.0, 0, 955.3], [0, 1501.0, 541.7], [0, 0, 1]]),
        distortion=np.array([-0.1, 0.02, 1e-4, -2e-4, 0.003]),
        R_camera_from_table=rotation_from_degrees(np.array([170.0, 5.0, 2.0])),
        t_camera_from_table_mm=np.array([10.0, -20.0, 900.0]),
        covariance=root @ root.T if covariance else None,
    )


def make_prewarp() -> Prewarp:
    rng = np.random.default_rng(RNG_SEED)
    return Prewarp(
        projector_resolution=(16, 9),
        content_pixels=(100, 80),
        vertices_px=rng.normal(size=(5, 2)),
        content_px=rng.normal(size=(5, 2)),
        triangles=np.array([[0, 1, 2], [2, 1, 4]], np.int32),
        triangle_zone=np.array([0, 1], np.int16),
        zone=rng.integers(-1, 2, (9, 16)).astype(np.int16),
        gain=rng.random((9, 16)).astype(np.float32),
        transfer="srgb",
        mesh_error_px=0.03,
    )


def test_map(tmp_path: Path) -> None:
    written = make_map()
    write_map(tmp_path / "map.npz", written, rig_hash="abc", scan="20260101T000000Z", extra={"note": "x"})
    found, header = read_map(tmp_path / "map.npz")
    for name in ("x_mm", "y_mm", "sigma_mm", "zone", "measured"):
        np.testing.assert_array_equal(getattr(found, name), getattr(written, name))
        assert getattr(found, name).dtype == getattr(written, name).dtype
    assert (header["format"], header["version"]) == ("rigwarp map", 1)
    assert (header["rig_hash"], header["scan"], header["note"]) == ("abc", "20260101T000000Z", "x")
    assert header["units"]["x_mm"] == "mm"


def test_map_is_what_numpy_reads(tmp_path: Path) -> None:
    """The file's definition: arrays by name, and a header that is a JSON string."""
    write_map(tmp_path / "map.npz", make_map(), rig_hash="abc")
    with np.load(tmp_path / "map.npz") as file:
        assert set(file.files) == {"x_mm", "y_mm", "sigma_mm", "zone", "measured", "header"}
        assert file["zone"].dtype == np.int16
        assert json.loads(str(file["header"]))["format"] == "rigwarp map"


def test_prewarp_keeps_content_coordinates_and_older_files_lack_them(tmp_path: Path) -> None:
    mesh_only = make_prewarp()
    rng = np.random.default_rng(RNG_SEED)
    canvas_px = rng.uniform(0.0, 100.0, (9, 16, 2)).astype(np.float32)
    dark = mesh_only.gain < 0.3
    canvas_px[dark] = np.nan
    gain = np.where(dark, np.float32(0.0), mesh_only.gain)
    write_prewarp(tmp_path / "new.npz", replace(mesh_only, gain=gain, canvas_px=canvas_px))
    write_prewarp(tmp_path / "old.npz", mesh_only)
    np.testing.assert_array_equal(read_prewarp(tmp_path / "new.npz").canvas_px, canvas_px)
    assert read_prewarp(tmp_path / "old.npz").canvas_px is None
    write_prewarp(tmp_path / "torn.npz", replace(mesh_only, canvas_px=canvas_px))  # light where nothing is known
    with pytest.raises(InputError, match="a lit pixel without a content pixel"):
        read_prewarp(tmp_path / "torn.npz")


@pytest.mark.parametrize("covariance", [True, False])
def test_camera(tmp_path: Path, covariance: bool) -> None:
    written = make_camera(covariance)
    write_camera(tmp_path / "camera.json", written, extra={"photos": ["a.jpg"], "rms_px": 0.1})
    found = read_camera(tmp_path / "camera.json")
    assert found.resolution == written.resolution
    for name in ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm", "covariance"):
        np.testing.assert_array_equal(getattr(found, name), getattr(written, name))
    assert read_camera_extra(tmp_path / "camera.json") == {"photos": ["a.jpg"], "rms_px": 0.1}
    with pytest.raises(ValueError, match="matrix"):
        write_camera(tmp_path / "b.json", written, extra={"matrix": []})


def test_camera_made_elsewhere(tmp_path: Path) -> None:
    """Just the fixed keys, whole numbers among them, and a rotation rounded to four decimals."""
    R = np.round(make_camera().R_camera_from_table, 4)
    contents = {
        "format": "rigwarp camera",
        "version": 1,
        "resolution": [640, 480],
        "matrix": [[500, 0, 320], [0, 500, 240], [0, 0, 1]],
        "distortion": [0, 0, 0, 0, 0],
        "R_camera_from_table": R.tolist(),
        "t_camera_from_table_mm": [0, 0, 800],
    }
    (tmp_path / "camera.json").write_text(json.dumps(contents))
    camera = read_camera(tmp_path / "camera.json")
    assert camera.covariance is None
    np.testing.assert_allclose(camera.R_camera_from_table @ camera.R_camera_from_table.T, np.eye(3), atol=1e-14)
    np.testing.assert_allclose(camera.R_camera_from_table, R, atol=1e-4)  # nearest: no further than the rounding


def test_patterns(tmp_path: Path) -> None:
    written = fast_set((1280, 720), transfer=2.2)
    write_patterns(tmp_path / "patterns.json", written)
    assert read_patterns(tmp_path / "patterns.json") == written


def test_decoded_scan(tmp_path: Path) -> None:
    """Every value exactly, in the four bytes that the decoder gives it; nothing where nothing was decoded."""
    rng = np.random.default_rng(RNG_SEED)
    reason = rng.integers(0, 3, (7, 9)).astype(np.uint8)
    pictures = {
        name: np.where(reason == Reason.OK, rng.random((7, 9)), np.nan).astype(np.float32)
        for name in ("u_px", "v_px", "sigma_u_px", "sigma_v_px", "light", "chi2")
    }
    written = Decoded(
        **pictures,
        reason=reason,
        response=Response(
            shape=0.8, shape_sigma=0.01, full_scale=255, level_codes=np.arange(3.0), level_light=np.arange(3) / 2
        ),
        noise=Noise(floor=1.0, per_light=0.5),
        harmonics={"x": HarmonicError(order=3, coefficients_turns=rng.random((2, 2)), periods_px=(18.0, 24.0))},
        motion_sigma_px=0.01,
        light_sigma_px=0.02,
        bands_sigma_px=0.03,
        curve_sigma_px=0.04,
        band_rows=28.5,
        plaid=rng.integers(0, 256, (7, 9)).astype(np.uint8),
        modulation=Modulation(
            camera_px=rng.random((5, 2)),
            pixels_px=rng.random((5, 2)),
            periods_u_px=np.array([18.0, 25.0]),
            periods_v_px=np.array([18.0, 22.0, 25.0]),
            u=rng.random((5, 2)),
            v=rng.random((5, 3)),
        ),
    )
    write_decoded(tmp_path / "decoded.npz", written)
    found = read_decoded(tmp_path / "decoded.npz")
    for name in (*pictures, "reason"):
        np.testing.assert_array_equal(getattr(found, name), getattr(written, name))
    assert (found.noise, found.response.shape, found.response.full_scale) == (written.noise, 0.8, 255)
    assert (found.motion_sigma_px, found.light_sigma_px, found.bands_sigma_px) == (0.01, 0.02, 0.03)
    assert (found.curve_sigma_px, found.band_rows) == (0.04, 28.5)
    assert found.plaid.dtype == np.uint8  # of as many bits as the photographs, or of 16 where these were put right
    np.testing.assert_array_equal(found.plaid, written.plaid)
    write_decoded(tmp_path / "moved.npz", replace(written, band_rows=np.nan, plaid=written.plaid * np.uint16(257)))
    moved = read_decoded(tmp_path / "moved.npz")
    assert np.isnan(moved.band_rows)
    np.testing.assert_array_equal(moved.plaid, written.plaid * np.uint16(257))
    np.testing.assert_array_equal(found.response.level_codes, written.response.level_codes)
    for name, values in vars(written.modulation).items():
        np.testing.assert_array_equal(getattr(found.modulation, name), values)
    np.testing.assert_array_equal(found.harmonics["x"].coefficients_turns, written.harmonics["x"].coefficients_turns)
    assert found.curve_waves == (frozenset({3 / 18.0, 3 / 24.0}), frozenset())


def one_sigma_of_each(**noted: Any) -> Decoded:
    return Decoded(
        **{name: np.ones((2, 3), np.float32) for name in ("u_px", "v_px", "sigma_u_px", "sigma_v_px", "light", "chi2")},
        reason=np.zeros((2, 3), np.uint8),
        response=Response(
            shape=0.8, shape_sigma=0.01, full_scale=255, level_codes=np.arange(3.0), level_light=np.arange(3) / 2
        ),
        noise=Noise(floor=1.0, per_light=0.5),
        harmonics={},
        **noted,
    )


def test_a_decoded_scan_of_before_the_modulation_was_noted(tmp_path: Path) -> None:
    write_decoded(tmp_path / "decoded.npz", one_sigma_of_each())
    assert read_decoded(tmp_path / "decoded.npz").modulation is None


def test_what_light_leaves_counts_once_in_scans_whose_sigmas_held_it(tmp_path: Path) -> None:
    """Sigmas of 1 px of which light is 0.6: the rest is 0.8, of whose variance the camera has half."""
    of_before = one_sigma_of_each(light_sigma_px=0.6, noise_shares={"light": 0.36, "processing": 0.32})
    write_decoded(tmp_path / "decoded.npz", of_before)
    found = read_decoded(tmp_path / "decoded.npz")
    np.testing.assert_allclose([found.sigma_u_px, found.sigma_v_px], 0.8, rtol=1e-6)
    assert found.light_sigma_px == 0.6
    assert found.noise_shares == {"processing": pytest.approx(0.5)}


def test_prewarp(tmp_path: Path) -> None:
    written = make_prewarp()
    write_prewarp(tmp_path / "prewarp.npz", written, extra={"rig_hash": "abc"})
    found = read_prewarp(tmp_path / "prewarp.npz")
    for name in ("vertices_px", "content_px", "triangles", "triangle_zone", "zone", "gain"):
        np.testing.assert_array_equal(getattr(found, name), getattr(written, name))
        assert getattr(found, name).dtype == getattr(written, name).dtype
    for name in ("projector_resolution", "content_pixels", "transfer", "mesh_error_px"):
        assert getattr(found, name) == getattr(written, name)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("ending", ["png", "tif"])
def test_grey_picture(tmp_path: Path, dtype: type, ending: str) -> None:
    picture = np.random.default_rng(RNG_SEED).integers(0, np.iinfo(dtype).max, (7, 9)).astype(dtype)
    path = tmp_path / f"a.{ending}"
    write_picture(path, picture)
    found = read_photo(path)
    assert found.dtype == dtype
    np.testing.assert_array_equal(found, picture)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("alpha", [False, True])
def test_colour_to_grey(tmp_path: Path, dtype: type, alpha: bool) -> None:
    """0.299 R + 0.587 G + 0.114 B (BT.601), rounded: within half a code value and OpenCV's fixed-point step."""
    top = np.iinfo(dtype).max
    rgb = np.random.default_rng(RNG_SEED).integers(0, top, (8, 8, 3)).astype(dtype)
    stored = np.concatenate([rgb[..., ::-1], np.full((8, 8, 1), top // 3, dtype)], axis=-1) if alpha else rgb[..., ::-1]
    cv2.imwrite(str(tmp_path / "a.png"), stored)
    found = read_photo(tmp_path / "a.png")
    assert found.dtype == dtype
    expected = rgb @ np.array([0.299, 0.587, 0.114])
    np.testing.assert_allclose(found, expected, atol=0.5 + 3e-5 * top)


def test_content_picture_is_rgb(tmp_path: Path) -> None:
    rgb = np.zeros((4, 5, 3), np.uint8)
    rgb[..., 0] = 200
    write_picture(tmp_path / "a.png", rgb)
    np.testing.assert_array_equal(read_colour(tmp_path / "a.png"), rgb)
    write_picture(tmp_path / "b.png", np.full((4, 5), 65535, np.uint16))
    np.testing.assert_array_equal(read_colour(tmp_path / "b.png"), np.full((4, 5, 3), 255))


def test_jpeg_of_a_smooth_picture(tmp_path: Path) -> None:
    grey = np.tile(np.arange(64, dtype=np.uint8) * 3, (64, 1))
    cv2.imwrite(str(tmp_path / "a.JPG"), cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    np.testing.assert_allclose(read_photo(tmp_path / "a.JPG"), grey, atol=6.0)  # quality 95: a few code values


def sphere() -> TriangleMesh:
    made = trimesh.creation.icosphere(subdivisions=2, radius=40.0)
    return TriangleMesh(vertices_mm=np.array(made.vertices, float), faces=np.array(made.faces, np.int64))


def test_stl(tmp_path: Path) -> None:
    """Read back by ourselves: triangles in order, float32 coordinates, not welded."""
    mesh = sphere()
    write_stl(tmp_path / "mirror.stl", mesh)
    found = read_mesh(tmp_path / "mirror.stl", key="rig.toml: mirror.file")
    np.testing.assert_array_equal(
        found.vertices_mm[found.faces], mesh.vertices_mm[mesh.faces].astype(np.float32).astype(float)
    )
    assert len(found.vertices_mm) == 3 * len(mesh.faces)


@pytest.mark.parametrize("ending", ["stl", "ply", "obj"])
def test_meshes_of_another_program(tmp_path: Path, ending: str) -> None:
    """trimesh writes, we read: the same corners in space (text formats keep eight digits)."""
    mesh = sphere()
    trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False).export(tmp_path / f"part.{ending}")
    found = read_mesh(tmp_path / f"part.{ending}", key="rig.toml: mirror.file")
    np.testing.assert_allclose(found.vertices_mm[found.faces], mesh.vertices_mm[mesh.faces], atol=1e-5)


def test_profile(tmp_path: Path) -> None:
    path = tmp_path / "profile.csv"
    path.write_text('# from the lathe\n\n"z_mm", r_mm, remark\n0, 0, vertex\n0.5, 10,\n2, 20,\n4.5, 30, rim\n')
    np.testing.assert_array_equal(read_profile(path, key="k"), [[0, 0], [10, 0.5], [20, 2], [30, 4.5]])


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_content_is_turned_as_its_file_says_and_photographs_are_not(tmp_path, ending):
    """All eight orientations of EXIF 2.3, against Pillow's exif_transpose."""
    from PIL import Image, ImageOps

    codes = np.random.default_rng(RNG_SEED).integers(0, 256, (4, 6, 3), np.uint8).repeat(16, axis=0).repeat(16, axis=1)
    for orientation in range(1, 9):
        path = tmp_path / f"{orientation}.{ending}"
        exif = Image.Exif()
        exif[0x0112] = orientation
        Image.fromarray(codes).save(path, exif=exif)
        reference = path if ending != "tif" else path.with_suffix(".png")  # Pillow 10.0 turns TIFF twice
        Image.fromarray(codes).save(reference, exif=exif)
        with Image.open(reference) as opened:
            wanted = np.asarray(ImageOps.exif_transpose(opened))
        found = read_colour(path)
        assert found.shape == wanted.shape
        assert np.abs(found.astype(int) - wanted.astype(int)).max() <= (8 if ending == "jpg" else 0)  # decoders round
        assert ending == "tif" or read_photo(path).shape == codes.shape[:2]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_tiff_is_turned_as_content_and_never_as_a_measurement(tmp_path, orientation):
    """Tags written by Pillow; EXIF 2.3 says where the first row and column belong."""
    stored = np.arange(6, dtype=np.uint8).reshape(2, 3) * 40
    tags = Image.Exif()
    tags[0x0112] = orientation
    Image.fromarray(stored).save(tmp_path / "a.tif", exif=tags)
    upright = {
        1: stored,
        2: stored[:, ::-1],
        3: stored[::-1, ::-1],
        4: stored[::-1],
        5: stored.T,
        6: np.rot90(stored, -1),
        7: stored[::-1, ::-1].T,
        8: np.rot90(stored),
    }
    np.testing.assert_array_equal(read_photo(tmp_path / "a.tif"), stored)
    np.testing.assert_array_equal(read_colour(tmp_path / "a.tif")[..., 0], upright[orientation])


def test_a_broken_png_is_named_in_one_line(tmp_path, capfd):
    stored = np.random.default_rng(1).integers(0, 255, (64, 64), dtype=np.uint8)
    Image.fromarray(stored).save(tmp_path / "a.png")
    (tmp_path / "a.png").write_bytes((tmp_path / "a.png").read_bytes()[:2000])
    with pytest.raises(InputError, match=r"a\.png"):
        read_photo(tmp_path / "a.png")
    assert capfd.readouterr().err == ""
