"""A rig around any mirror, and meshes of known surfaces."""

import numpy as np
import pytest
from scipy.spatial import Delaunay

from rigwarp.geometry import Placement, TriangleMesh
from rigwarp.rig import CameraSpec, ConicShape, Content, Mirror, Projector, Rig, Table, Tolerance
from rigwarp.sheets.pdf import STANDARD_TARGET


def make_rig(
    shape,
    *,
    resolution=(1280, 720),
    projector_mm=(0.0, 0.0, -90.0),
    rotation=None,
    mirror=None,
    table_mm=-400.0,
    obstacles=(),
):
    """Projector of throw ratio 1.2 looking up, mirror frame = table frame: the layout of check_values.md §1.10."""
    return Rig(
        name="test",
        projector=Projector(
            resolution=resolution,
            throw_ratio=1.2,
            lens_shift=(0.0, 0.0),
            placement=Placement(
                position_mm=np.array(projector_mm), rotation=np.eye(3) if rotation is None else rotation
            ),
            position_tolerance_mm=3.0,
            rotation_tolerance_rad=0.01,
            transfer=2.2,
        ),
        mirror=Mirror(
            shape=shape,
            placement=mirror or Placement(position_mm=np.zeros(3), rotation=np.eye(3)),
            position_tolerance_mm=1.0,
            rotation_tolerance_rad=0.01,
        ),
        obstacles=tuple(obstacles),
        table=Table(shape="circle", size_mm=(500.0, 500.0), height_mm=table_mm),
        content=Content(
            shape="circle", size_mm=(480.0, 480.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(64, 64)
        ),
        camera=CameraSpec(resolution=(1920, 1080), device=0),
        target=STANDARD_TARGET,
        tolerance=Tolerance(content_p95_mm=0.5, figure_rms_um=50.0),
    )


def conic(radius_mm=100.0, k=0.0, *, aperture_mm=(0.0, 60.0), coefficients_mm=()):
    return ConicShape(
        radius_mm=radius_mm, conic_constant=k, coefficients_mm=tuple(coefficients_mm), aperture_mm=aperture_mm
    )


def scattered_points(rng, *, half_x, half_y, edge_mm):
    """Irregular points in a rectangle with a straight rim, about `edge_mm` apart."""
    nx, ny = int(2 * half_x / edge_mm), int(2 * half_y / edge_mm)
    gx, gy = np.meshgrid(np.linspace(-half_x, half_x, nx + 1), np.linspace(-half_y, half_y, ny + 1))
    jitter = rng.uniform(-0.35, 0.35, (2, *gx.shape)) * edge_mm
    jitter[:, [0, -1], :] = 0.0
    jitter[:, :, [0, -1]] = 0.0
    return np.stack([(gx + jitter[0]).ravel(), (gy + jitter[1]).ravel()], axis=-1)


def mesh_of(sag, points, *, stored=np.float32, offset_mm=(0.0, 0.0, 0.0)):
    """Delaunay triangles over scattered (N, 2) points, unwelded and stored as an STL file stores them."""
    faces = Delaunay(points).simplices
    vertices = np.column_stack([points, sag(points[:, 0], points[:, 1])]) + np.array(offset_mm)
    soup = vertices[faces].reshape(-1, 3).astype(stored).astype(float)
    return TriangleMesh(vertices_mm=soup, faces=np.arange(len(soup)).reshape(-1, 3))


@pytest.fixture
def rng():
    return np.random.default_rng(20240611)


@pytest.fixture(scope="session")
def rig_around():
    return make_rig


@pytest.fixture(scope="session")
def conic_shape():
    return conic


@pytest.fixture
def scattered():
    return scattered_points


@pytest.fixture
def mesh_from():
    return mesh_of
