"""Rigs and maps made by formula, and a rig folder with a complete, made-up result."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rig_text import rig_text

from rigwarp.camera import CameraModel
from rigwarp.files import (
    RigFolder,
    make_current,
    new_run,
    open_rig,
    write_camera,
    write_json,
    write_map,
    write_npz,
    write_picture,
    write_prewarp,
)
from rigwarp.geometry import PixelMap, look_at
from rigwarp.jobs.results.budget import write_budget
from rigwarp.prewarp import build_prewarp
from rigwarp.rig import parse_rig
from rigwarp.scenarios import create_rig

FAR = 1000.0  # a throw ratio at which all pixels have the same solid angle to 1e-6


def make_rig(
    *,
    width=200,
    height=200,
    throw=FAR,
    table='shape = "rectangle"\nsize_mm = [200, 200]',
    content='shape = "rectangle"\nsize_mm = [160, 160]',
):
    text = rig_text(
        "kind = 'conic'\nradius_mm = 100.0\nconic_constant = 0.0\naperture_mm = [0.0, 30.0]\nposition_mm = [0, 0, 600]",
        name="Bench",
        resolution=(width, height),
        throw_ratio=throw,
        projector="position_mm = [0.0, 0.0, 500.0]\naim_mm = [0.0, 0.0, 0.0]",
        table=table,
        content=f"{content}\npixels = [400, 400]",
        more="[camera]\nresolution = [640, 480]",
    )
    return parse_rig(text, source="test")


def make_map(x_mm, y_mm, *, lit=None, zone=0, measured=True, sigma_mm=0.05):
    x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
    lit = np.ones(x.shape, bool) if lit is None else lit
    return PixelMap(
        x_mm=np.where(lit, x, np.nan),
        y_mm=np.where(lit, y, np.nan),
        sigma_mm=np.where(lit, sigma_mm, np.nan),
        zone=np.where(lit, zone, -1).astype(np.int16),
        measured=lit & measured,
    )


def centred_pixels(width, height):
    """u and v (H, W), 0 in the middle of the picture."""
    return np.meshgrid(np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2)


def overhead_camera(*, height_mm=600.0, resolution=(640, 480)):
    """A camera straight above the middle of the table; a pixel is 1 mm on it."""
    position = np.array([0.0, 0.0, height_mm])
    R = look_at(position, np.zeros(3)).T
    matrix = np.array([[600.0, 0, 319.5], [0, 600.0, 239.5], [0, 0, 1]])
    return CameraModel(
        resolution=resolution,
        matrix=matrix,
        distortion=np.zeros(5),
        R_camera_from_table=R,
        t_camera_from_table_mm=-R @ position,
    )


def dot_record(error_mm, rng):
    grid = np.arange(-200.0, 201.0, 40.0)
    points = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    points = points[np.hypot(*points.T) < 230.0]
    vectors = rng.normal(0.0, error_mm, points.shape)
    length = np.hypot(*vectors.T)
    return {
        "n": len(points),
        "rms_mm": float(np.sqrt(np.mean(length**2))),
        "p95_mm": float(np.percentile(length, 95)),
        "max_mm": float(length.max()),
        "missing": [3, 7],
        "doubled": [],
        "similarity": {"scale": 1.002, "rotation_deg": 0.1, "shift_mm": [0.3, -0.2], "rms_after_mm": 0.1},
        "points_mm": points,
        "vectors_mm": vectors,
    }


def write_result(folder: RigFolder, rng) -> Path:
    """A finished result with every part, its map a plain scaling of the projector's picture."""
    width, height = folder.rig.projector.resolution
    u, v = centred_pixels(width, height)
    mapped = make_map(u * 520 / height, -v * 520 / height)
    write_map(folder.root / "design.npz", make_map(u * 515 / height + 3.0, -v * 515 / height), rig_hash=folder.rig_hash)
    camera = overhead_camera(resolution=folder.rig.camera.resolution)
    write_camera(folder.root / "camera.json", replace(camera, covariance=1e-8 * np.eye(15)))
    x = np.linspace(-30.0, 30.0, 31)
    height_um = 20.0 * (x**2 + x[:, None] ** 2) / 900.0
    with new_run(folder.root / "results", "fit", folder, settings={"scan": "20260102T030405Z"}) as run:
        parts = {f"sigma_{part}_mm": np.full((height, width), 0.004) for part in ("decode", "random", "common")}
        write_map(run / "map.npz", mapped, rig_hash=folder.rig_hash, scan="20260102T030405Z", more=parts)
        write_prewarp(run / "prewarp.npz", build_prewarp(mapped, folder.rig.content, 2.2))
        table_map = {"n": 1000, "rms_mm": 0.041, "p95_mm": 0.07, "max_mm": 0.2, "coverage": 0.987, "z_spread": 1.1}
        turns = {"projector_shift_mm": [1.0, 2.0, 0.5], "projector_turn_rad": [0.01, 0.0, 0.0]}
        registration = {"rms_before_mm": 6.5, "rms_after_mm": 0.4, "shifts": turns}
        write_json(run / "fit.json", {"table_map": table_map, "registration": registration}, format="rigwarp fit")
        dots = {"before": dot_record(4.0, rng), "after": dot_record(0.06, rng)}
        write_json(run / "verification.json", dots, format="rigwarp verification")
        terms = [[2, 0, 31.5, 4.0], [2, 2, 0.5, 2.0], [3, -1, -6.25, 0.4]]
        built = {"figure_rms_um": 61.7, "zernike": terms, "unobservable": ["spin about the mirror's axis"]}
        write_json(run / "as_built.json", built, format="rigwarp as-built")
        arrays = dict.fromkeys(("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad"), height_um)
        write_npz(run / "as_built.npz", {"x_mm": x, "y_mm": x, **arrays}, format="rigwarp as-built")
        (run / "pictures").mkdir()
        photo = np.tile(np.arange(640, dtype=np.uint8) % 200, (480, 1))
        for when in ("before", "after"):
            write_picture(run / "pictures" / f"check_{when}.png", photo)
        write_budget(folder, run)
    make_current(folder.root, run)
    return run


@pytest.fixture
def rng():
    return np.random.default_rng(20240611)


@pytest.fixture
def rig_of():
    return make_rig


@pytest.fixture
def map_of():
    return make_map


@pytest.fixture
def pixels_of():
    return centred_pixels


@pytest.fixture
def camera_above():
    return overhead_camera


def make_small_folder(root: Path) -> RigFolder:
    """The round table with a small projector and camera, nothing measured yet."""
    create_rig("round-table", root)
    file = root / "rig.toml"
    text = file.read_text().replace("[1280, 720]", "[160, 90]").replace("[1920, 1080]", "[640, 480]")
    file.write_text(text)
    return open_rig(root)


@pytest.fixture
def small_folder(tmp_path):
    """A rig folder with nothing measured yet."""
    return make_small_folder(tmp_path / "rig")


@pytest.fixture(scope="module")
def finished_once(tmp_path_factory):
    """A rig folder and its current result, for tests that only look."""
    folder = make_small_folder(tmp_path_factory.mktemp("finished") / "rig")
    return folder, write_result(folder, np.random.default_rng(20240611))


@pytest.fixture
def finished(small_folder, rng):
    """A rig folder and its current result."""
    return small_folder, write_result(small_folder, rng)
