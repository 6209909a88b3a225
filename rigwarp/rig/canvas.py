"""The canvas on the table: content pixels <-> table millimetres, and what lies inside.

Content pixels follow the package's convention: (0, 0) is the centre of the top-left pixel, u right, v down, so a
picture of width W covers [-0.5, W - 0.5]. At rotation 0 its top edge lies towards +y of the table; a positive
rotation turns it counter-clockwise as seen from above (right-handed about the table's z axis).
"""

import numpy as np

from rigwarp.geometry import Array, BoolArray, plane_rotation
from rigwarp.rig.model import Content, Shape, Table

_POINTS = 360  # around a circle, and along a rectangle: a camera's lens bends its sides


def content_to_table(content: Content, content_px: Array) -> Array:
    """Where content pixels lie on the table.

    Parameters
    ----------
    content : the canvas.
    content_px : (..., 2) pixel positions, u first; may lie outside the picture.

    Returns
    -------
    (..., 2)
        Table frame, mm; NaN where the input is NaN.
    """
    share = (np.asarray(content_px, float) + 0.5) / content.pixels - 0.5  # of the picture's sides, from its middle
    own_mm = share * content.size_mm * np.array([1.0, -1.0])  # v runs down, y runs up
    return own_mm @ plane_rotation(content.rotation_rad).T + content.centre_mm


def table_to_content(content: Content, table_mm: Array) -> Array:
    """Which content pixel lies at a table position: the inverse of `content_to_table`; (..., 2) mm -> (..., 2) px."""
    share = _own_mm(content, table_mm) * np.array([1.0, -1.0]) / content.size_mm
    return (share + 0.5) * content.pixels - 0.5


def inside_content(content: Content, table_mm: Array) -> BoolArray:
    """True where (..., 2) table positions lie in the content area, its edge included; False for NaN."""
    return _inside(content.shape, content.size_mm, _own_mm(content, table_mm))


def inside_table(table: Table, table_mm: Array) -> BoolArray:
    """True where (..., 2) table positions lie on the table, its edge included; False for NaN."""
    return _inside(table.shape, table.size_mm, np.asarray(table_mm, float))


def outline_mm(content: Content, count: int) -> Array:
    """(count, 2) points on the content area's edge, evenly spread by angle seen from its middle, table frame."""
    angle = np.arange(count) * (2.0 * np.pi / count)
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    half = np.array(content.size_mm) / 2.0
    reach = (
        np.linalg.norm(direction / half, axis=-1)
        if content.shape == "circle"
        else np.max(np.abs(direction) / half, axis=-1)
    )
    return direction / reach[:, None] @ plane_rotation(content.rotation_rad).T + content.centre_mm


def table_outline(table: Table) -> Array:
    """(N, 2) closed line around the table, mm."""
    return _unit_outline(table.shape) * table.size_mm


def content_outline(content: Content) -> Array:
    """(N, 2) closed line around the content area, table frame, mm; a rectangle's corners are among the points."""
    return content_to_table(content, (_unit_outline(content.shape) + 0.5) * content.pixels - 0.5)


def _unit_outline(shape: Shape) -> Array:
    """(N, 2) closed line around a shape of size 1 about the origin."""
    turn = np.linspace(0.0, 1.0, _POINTS + 1)
    if shape == "circle":
        return 0.5 * np.stack([np.cos(2 * np.pi * turn), np.sin(2 * np.pi * turn)], axis=-1)
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5]])
    return np.stack([np.interp(4 * turn, np.arange(5), corners[:, i]) for i in (0, 1)], axis=-1)


def _own_mm(content: Content, table_mm: Array) -> Array:
    """Table positions in the content's own axes: origin in its middle, x right, y towards its top edge."""
    return (np.asarray(table_mm, float) - content.centre_mm) @ plane_rotation(content.rotation_rad)


def _inside(shape: Shape, size_mm: tuple[float, float], own_mm: Array) -> BoolArray:
    x, y = (own_mm[..., i] / (side / 2.0) for i, side in enumerate(size_mm))
    if shape == "circle":
        return np.asarray(x * x + y * y <= 1.0)
    return np.asarray((np.abs(x) <= 1.0) & (np.abs(y) <= 1.0))
