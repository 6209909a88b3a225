"""A camera, a board and photographs of it, made with OpenCV's own projection and warps."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from rigwarp.camera import BoardView, CameraModel
from rigwarp.geometry import Array, look_at, rotation_from_vector
from rigwarp.rig.model import Target

RESOLUTION = (1280, 720)
MATRIX = np.array([[1050.0, 0.0, 652.3], [0.0, 1052.0, 348.1], [0.0, 0.0, 1.0]])
DISTORTION = np.array([-0.11, 0.06, 6e-4, -4e-4, 0.0])
CAMERA_POSITION_MM = np.array([120.0, -310.0, 640.0])
_OVERSAMPLING = 2


@pytest.fixture(scope="session")
def target() -> Target:
    """The board of the design document's example, lying askew and printed a little too small."""
    return Target(
        squares=(10, 7),
        square_mm=36.0,
        marker_mm=27.0,
        dictionary="DICT_5X5_250",
        scale=(0.998, 1.001),
        centre_mm=np.array([12.0, -7.0]),
        rotation_rad=0.1,
    )


@pytest.fixture(scope="session")
def table_pose() -> tuple[Array, Array]:
    """R_camera_from_table and t (mm) of the camera in these tests."""
    R = look_at(CAMERA_POSITION_MM, np.array([10.0, -10.0, 0.0])).T
    return R, -R @ CAMERA_POSITION_MM


@pytest.fixture(scope="session")
def board_poses() -> list[tuple[Array, Array]]:
    """Twelve poses (R, t mm) of the hand-held board in the camera's frame: tilted every way, all over the picture."""
    rng = np.random.default_rng(20)
    poses = []
    for i in range(12):
        angle = 2.0 * np.pi * i / 12
        tilt = rotation_from_vector(0.55 * np.array([np.cos(angle), np.sin(angle), 0.0]))
        R = tilt @ rotation_from_vector(np.array([0.0, 0.0, 0.5 * rng.normal()]))
        centre = np.array([130.0 * np.cos(2.4 * i), 70.0 * np.sin(2.4 * i), rng.uniform(480.0, 620.0)])
        poses.append((R, centre - R @ [180.0, 126.0, 0.0]))
    return poses


@pytest.fixture(scope="session")
def true_lens() -> Array:
    """(9,) fx, fy, cx, cy, k1, k2, p1, p2, k3 of the camera in these tests."""
    return np.array([MATRIX[0, 0], MATRIX[1, 1], MATRIX[0, 2], MATRIX[1, 2], *DISTORTION])


@pytest.fixture(scope="session")
def camera(table_pose: tuple[Array, Array]) -> CameraModel:
    """The camera of these tests as camera.json would have it without any error."""
    R, t = table_pose
    return CameraModel(
        resolution=RESOLUTION, matrix=MATRIX, distortion=DISTORTION, R_camera_from_table=R, t_camera_from_table_mm=t
    )


@pytest.fixture(scope="session")
def seen_by_opencv() -> Callable[..., Array]:
    """OpenCV's projectPoints for this camera: (N, 3) mm, R, t mm -> (N, 2) px."""

    def seen(points_mm: Array, R: Array, t_mm: Array) -> Array:
        return cv2.projectPoints(points_mm, cv2.Rodrigues(R)[0], t_mm, MATRIX, DISTORTION)[0].reshape(-1, 2)

    return seen


@pytest.fixture(scope="session")
def view_of() -> Callable[..., BoardView]:
    """A view of the corners that lie inside the picture, without any photograph: (N, 3) mm, (N, 2) px -> BoardView."""

    def view(object_mm: Array, image_px: Array) -> BoardView:
        inside = np.all((image_px > 4.0) & (image_px < np.array(RESOLUTION) - 5.0), axis=-1)
        return BoardView(
            resolution=RESOLUTION,
            ids=np.flatnonzero(inside),
            object_mm=object_mm[inside],
            image_px=image_px[inside],
            size_mm=(360.0, 252.0),
            square_px=np.full(int(inside.sum()), 60.0),
            legacy=False,
            mirrored=False,
        )

    return view


@pytest.fixture(scope="session")
def rays() -> Array:
    """(H, W, 2) ideal coordinates of an oversampled picture's pixels, undistorted by OpenCV."""
    width, height = RESOLUTION
    u, v = ((np.arange(n * _OVERSAMPLING) + 0.5) / _OVERSAMPLING - 0.5 for n in (width, height))
    pixels = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 1e-9)
    return cv2.undistortPoints(pixels, MATRIX, DISTORTION, criteria=stop).reshape(len(v), len(u), 2)


@pytest.fixture(scope="session")
def photograph(target: Target, rays: Array) -> Callable[..., np.ndarray]:
    """A function that photographs the board: (R, t mm) -> (H, W) float32, black 30, white 220, table 100."""

    def photo(R: Array, t_mm: Array, *, legacy: bool = False, blur_px: float = 0.7) -> np.ndarray:
        per_square = 108  # 3 texels per mm: a texel about as large as an oversampled pixel, so that nothing aliases
        margin = 40
        board = cv2.aruco.CharucoBoard(
            target.squares,
            target.square_mm,
            target.marker_mm,
            cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250),
        )
        board.setLegacyPattern(legacy)
        size = (target.squares[0] * per_square, target.squares[1] * per_square)
        print_ = np.pad(board.generateImage(size, marginSize=0), margin, constant_values=255)
        texture = 30.0 + print_.astype(np.float32) * (190.0 / 255.0)
        plane = np.linalg.inv(np.column_stack([R[:, 0], R[:, 1], t_mm]))
        on_board = np.concatenate([rays, np.ones((*rays.shape[:2], 1))], axis=-1) @ plane.T
        on_board = on_board[..., :2] / on_board[..., 2:] / target.scale  # nominal mm of the file that was printed
        texels = (on_board * (per_square / target.square_mm) + margin - 0.5).astype(np.float32)
        fine = cv2.remap(texture, texels[..., 0], texels[..., 1], cv2.INTER_LINEAR, borderValue=100.0)
        return cv2.GaussianBlur(cv2.resize(fine, RESOLUTION, interpolation=cv2.INTER_AREA), (0, 0), blur_px)

    return photo


@pytest.fixture(scope="session")
def exposed() -> Callable[..., np.ndarray]:
    """An 8-bit exposure of a picture with read noise (codes, 1-sigma)."""

    def expose(picture: np.ndarray, rng: np.random.Generator, *, noise: float = 1.5) -> np.ndarray:
        return (picture + rng.normal(0.0, noise, picture.shape)).round().clip(0, 255).astype(np.uint8)

    return expose
