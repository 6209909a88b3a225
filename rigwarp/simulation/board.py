"""The printed ChArUco sheet, drawn area-exactly through the real lens, and poses for holding it by hand."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from rigwarp.geometry import Array, Placement, rotation_from_vector
from rigwarp.rig import Target
from rigwarp.simulation.lens import Lens
from rigwarp.simulation.overlap import pixel_overlaps
from rigwarp.simulation.sensor import Picture
from rigwarp.simulation.truth import SheetTruth

_EDGE_PX = 12.0  # edges are cut into pieces of about this length: a lens bends them by less than 0.001 px in between
_BORDER_SQUARES = 0.5  # white paper around the printed squares, in squares
Depth = Callable[[Array], Array]
"""How far (..., 2) spots of a sheet that is not flat lie along the board's z axis."""
_ROLLS_DEG = (0.0, 12.0, -15.0, 90.0, 175.0, -80.0, 25.0)


class PrintedBoard:
    """The sheet as printed: rectangles of ink in true mm, board x right and y down from its top-left printed corner."""

    def __init__(self, target: Target, sheet: SheetTruth) -> None:
        kind = getattr(cv2.aruco, target.dictionary)
        dictionary = cv2.aruco.getPredefinedDictionary(kind)
        board = cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm, dictionary)
        board.setLegacyPattern(target.layout == "old")
        growth = np.array(target.scale) * (1.0 + np.array(sheet.scale_error))
        self.size_mm = np.array(target.squares) * target.square_mm * growth
        self.ink_mm = np.concatenate([_black_squares(target), _black_cells(board, dictionary)]) * np.tile(growth, 2)
        border = _BORDER_SQUARES * target.square_mm
        self.paper_mm = np.array([[-border, -border, self.size_mm[0] + border, self.size_mm[1] + border]])

    def coverage(
        self, lens: Lens, pose: Placement, resolution: tuple[int, int], *, depth_mm: Depth | None = None
    ) -> tuple[Picture, Picture]:
        """Share of each camera pixel (H, W) that sees paper, and that sees ink; `pose` is camera-from-board."""
        per_mm = float(lens.focal_px.mean()) / float(np.linalg.norm(pose.position_mm))
        piece_mm = _EDGE_PX / per_mm
        seen = (lens, pose, resolution, depth_mm)
        return _covered(self.paper_mm, piece_mm, *seen), _covered(self.ink_mm, piece_mm, *seen)


def held_poses(lens: Lens, size_mm: Array, resolution: tuple[int, int], count: int, seed: int) -> list[Placement]:
    """Camera-from-board placements of a board held by hand: the whole frame is visited, tilts reach 40 degrees."""
    random = np.random.default_rng([seed, 0xB0A2D])
    width, height = resolution
    spots = [
        (0.0, 0.0), (-0.31, -0.29), (0.31, 0.29), (0.31, -0.29), (-0.31, 0.29), (0.0, -0.3), (0.0, 0.3),
        (-0.34, 0.0), (0.34, 0.0), (0.1, 0.1), (-0.1, -0.1), (0.15, -0.12), (-0.15, 0.12), (0.05, -0.02),
    ]  # fmt: skip
    poses = []
    for number in range(count):
        spot = np.array(spots[number % len(spots)]) + random.normal(0.0, 0.015, 2)
        u, v = (width - 1) / 2 + spot[0] * width, (height - 1) / 2 + spot[1] * height
        x, y = lens.rays(np.array([u]), np.array([v]))
        span = (0.62, 0.5, 0.42, 0.55, 0.35)[number % 5] * float(random.uniform(0.93, 1.07))
        depth_mm = float(lens.focal_px[0] * size_mm[0] / (span * width))
        tilt = np.deg2rad((0.0, 22.0, 33.0, 28.0, 40.0, 15.0, 36.0)[number % 7] * random.uniform(0.9, 1.0))
        about = float(random.uniform(0.0, 2.0 * np.pi))
        turn = rotation_from_vector(tilt * np.array([np.cos(about), np.sin(about), 0.0]))
        roll = np.deg2rad(_ROLLS_DEG[number % len(_ROLLS_DEG)] + random.normal(0.0, 3.0))
        R = turn @ rotation_from_vector(np.array([0.0, 0.0, roll]))
        centre = depth_mm * np.array([x[0], y[0], 1.0])
        middle = R @ np.array([size_mm[0] / 2, size_mm[1] / 2, 0.0])
        poses.append(Placement(position_mm=centre - middle, rotation=R))
    return poses


def sheet_on_table(target: Target, size_mm: Array, height_mm: float) -> Placement:
    """Table-from-board placement: printed top edge towards +y at rotation 0, printed side up."""
    c, s = np.cos(target.rotation_rad), np.sin(target.rotation_rad)
    R = np.array([[c, s, 0.0], [s, -c, 0.0], [0.0, 0.0, -1.0]])  # board x right, y down, z into the table
    centre = np.array([target.centre_mm[0], target.centre_mm[1], height_mm])
    return Placement(position_mm=centre - R @ np.array([size_mm[0] / 2, size_mm[1] / 2, 0.0]), rotation=R)


def laid_target(target: Target, sheet: SheetTruth) -> Target:
    """The sheet as it really lies there: with the squares and markers of the one in use, turned as it was laid down."""
    return replace(
        target,
        square_mm=sheet.square_mm or target.square_mm,
        marker_mm=sheet.marker_mm or target.marker_mm,
        rotation_rad=target.rotation_rad + sheet.turned_rad,
    )


def _black_squares(target: Target) -> Array:
    """(N, 4) left, top, right, bottom of black squares, nominal mm; OpenCV's old layout begins at the lower left."""
    side = target.square_mm
    first = (target.squares[1] + 1) % 2 if target.layout == "old" else 0
    j, i = np.nonzero(np.indices(target.squares[::-1]).sum(axis=0) % 2 == first)
    return np.stack([i, j, i + 1, j + 1], axis=-1).astype(float) * side


def _black_cells(board: cv2.aruco.CharucoBoard, dictionary: cv2.aruco.Dictionary) -> Array:
    """(N, 4) rectangles of the black cells of all markers (one cell of black border), runs of cells joined."""
    cells = dictionary.markerSize + 2
    found = []
    for number, corners in zip(np.ravel(board.getIds()), board.getObjPoints(), strict=True):
        left, top = np.asarray(corners, float)[0, :2]
        side = float(np.asarray(corners)[1, 0] - np.asarray(corners)[0, 0]) / cells
        bits = cv2.aruco.generateImageMarker(dictionary, int(number), cells, borderBits=1)
        for j, row in enumerate(np.asarray(bits) < 128):
            edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(np.int8)))
            found += [
                [left + a * side, top + j * side, left + b * side, top + (j + 1) * side]
                for a, b in zip(edges[::2], edges[1::2], strict=True)
            ]
    return np.array(found)


def _covered(
    boxes_mm: Array, piece_mm: float, lens: Lens, pose: Placement, resolution: tuple[int, int], depth_mm: Depth | None
) -> Picture:
    """Share of each pixel covered by non-overlapping rectangles on the board."""
    x4, y4 = _cut(boxes_mm, piece_mm)
    depth = np.zeros_like(x4) if depth_mm is None else depth_mm(np.stack([x4, y4], axis=-1))
    points = pose.to_table(np.stack([x4, y4, depth], axis=-1))
    u, v = lens.project(points[..., 0], points[..., 1], points[..., 2])
    seen = np.isfinite(u).all(axis=1)
    parts = list(pixel_overlaps(u[seen], v[seen], resolution))
    if not parts:
        return np.zeros((resolution[1], resolution[0]), np.float32)
    pixel = np.concatenate([part.pixel for part in parts])
    area = np.abs(np.concatenate([part.area_px2 for part in parts]))
    cover = np.bincount(pixel, weights=area, minlength=resolution[0] * resolution[1])
    return np.minimum(cover, 1.0).astype(np.float32).reshape(resolution[1], resolution[0])


def _cut(boxes_mm: Array, piece_mm: float) -> tuple[Array, Array]:
    """Rectangles cut into pieces no longer than `piece_mm`: corner coordinates (N, 4) twice."""
    xs, ys = [], []
    for left, top, right, bottom in boxes_mm:
        x = np.linspace(left, right, 1 + max(1, int(np.ceil((right - left) / piece_mm))))
        y = np.linspace(top, bottom, 1 + max(1, int(np.ceil((bottom - top) / piece_mm))))
        x0, y0 = (a.ravel() for a in np.meshgrid(x[:-1], y[:-1]))
        x1, y1 = (a.ravel() for a in np.meshgrid(x[1:], y[1:]))
        xs.append(np.stack([x0, x1, x1, x0], axis=1))
        ys.append(np.stack([y0, y0, y1, y1], axis=1))
    return np.concatenate(xs), np.concatenate(ys)
