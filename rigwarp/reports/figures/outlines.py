"""Closed lines around the table and the content area."""

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig import Content, Shape, Table, content_to_table

_POINTS = 360  # around a circle, and along a rectangle: a camera's lens bends its sides


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
