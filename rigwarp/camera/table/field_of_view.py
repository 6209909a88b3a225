"""What of the content area the camera sees."""

from dataclasses import dataclass

import cv2
import numpy as np

from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.model import CameraModel
from rigwarp.geometry import Array, BoolArray, at_height
from rigwarp.rig.canvas import inside_content, outline_mm
from rigwarp.rig.model import Content

_GRID = 81  # points across the content area: a part in 5000 of it
_OUTLINE = 180
_RIM_SQUARES = 2.0  # from the outermost corners to the edge of the paper, generously


@dataclass(frozen=True, kw_only=True)
class ContentInView:
    """How the content area lies in the camera's picture.

    Attributes
    ----------
    share : of the content area that is inside the picture.
    margin_px : least distance of its outline to the picture's rim; negative where it lies outside.
    side : which rim that is: "left", "right", "top" or "bottom".
    """

    share: float
    margin_px: float
    side: str


def content_outline_px(camera: CameraModel, content: Content, height_mm: float) -> Array:
    """(180, 2) the content area's edge in camera pixels, in order round it; NaN where the camera cannot see it."""
    return camera.project(at_height(outline_mm(content, _OUTLINE), height_mm))


def content_points_mm(content: Content, across: int) -> Array:
    """(N, 2) points of a square grid inside the content area, `across` of them along its longest line."""
    reach = np.hypot(*content.size_mm) / 2.0 * np.linspace(-1.0, 1.0, across)
    points = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(-1, 2) + content.centre_mm
    return np.asarray(points[inside_content(content, points)])


def content_in_view(camera: CameraModel, content: Content, height_mm: float) -> ContentInView:
    """Judge how the content area on the table, at `height_mm`, lies in the picture."""
    pixels = camera.project(at_height(content_points_mm(content, _GRID), height_mm))
    width, height = camera.resolution
    with np.errstate(invalid="ignore"):
        inside = np.all((pixels >= -0.5) & (pixels <= [width - 0.5, height - 0.5]), axis=-1)
    outline = content_outline_px(camera, content, height_mm)
    room = np.column_stack([outline + 0.5, [width - 0.5, height - 0.5] - outline])
    least = np.where(np.isfinite(room), room, -np.inf).min(axis=0)
    side = int(np.argmin(least))
    return ContentInView(
        share=float(np.mean(inside)), margin_px=float(least[side]), side=("left", "top", "right", "bottom")[side]
    )


def content_pixels(camera: CameraModel, content: Content, height_mm: float) -> BoolArray:
    """(H, W) camera pixels that look at the content area."""
    outline = content_outline_px(camera, content, height_mm)
    width, height = camera.resolution
    filled = np.zeros((height, width), np.uint8)
    known = outline[np.isfinite(outline).all(axis=-1)]
    if len(known) > 2:
        far = 4 * max(width, height)  # OpenCV's whole numbers; what lies further out is cut off all the same
        cv2.fillPoly(filled, [np.rint(known.clip(-far, far)).astype(np.int32)], 1)
    return filled > 0


def sheet_pixels(view: BoardView) -> BoolArray:
    """(H, W) camera pixels that look at the printed sheet, its white border included; all False without a sheet."""
    width, height = view.resolution
    filled = np.zeros((height, width), np.uint8)
    if view.n > 2:
        hull = cv2.convexHull(view.image_px.astype(np.float32))
        rim_px = max(1, round(_RIM_SQUARES * float(np.median(view.square_px))))
        cv2.fillConvexPoly(filled, np.rint(hull).astype(np.int32), 1)
        cv2.polylines(filled, [np.rint(hull).astype(np.int32)], True, 1, 2 * rim_px)
    return filled > 0


def middle_mm_per_px(camera: CameraModel, content: Content, height_mm: float) -> float:
    """Side of the square that a camera pixel sees of the content's middle, mm."""
    middle = camera.project(at_height(content.centre_mm, height_mm))
    return float(np.sqrt(np.abs(np.linalg.det(camera.plane_jacobian(middle, height_mm)))))
