"""Residual vectors on the table, enlarged, each picture with the arrow that gives its scale."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.quiver import Quiver
from scipy.spatial import cKDTree

from rigwarp.geometry import Array
from rigwarp.reports.figures import style
from rigwarp.rig import Rig
from rigwarp.words import number

_ARROW_SPACINGS = 1.3  # the 95th percentile is drawn this long, in distances between neighbouring points
_NICE = (1.0, 2.0, 5.0, 10.0)
_KEY_STRIP = 0.08  # height of the strip for the scale arrow, of the table's width
_MOST_ARROWS = 600  # more than that is a grey carpet; every k-th is drawn


@dataclass(frozen=True, kw_only=True)
class Residuals:
    """Vectors to draw: where (N, 2) and how far off (N, 2), mm in the table frame; NaN is left out."""

    points_mm: Array
    vectors_mm: Array

    def known(self) -> "Residuals":
        """Those with a value."""
        points, vectors = (np.asarray(a, float).reshape(-1, 2) for a in (self.points_mm, self.vectors_mm))
        good = np.isfinite(points).all(axis=1) & np.isfinite(vectors).all(axis=1)
        return Residuals(points_mm=points[good], vectors_mm=vectors[good])


def residual_vectors(points_mm: Array, vectors_mm: Array, rig: Rig, title: str) -> bytes:
    """Residuals (N, 2) at points (N, 2), mm in the table frame, as enlarged arrows on the table; PNG."""
    with style.styled():
        figure, axes = style.one_axes(height_inch=style.table_height(rig, panel_inch=5.1, extra_inch=1.65))
        _draw(axes, Residuals(points_mm=points_mm, vectors_mm=vectors_mm), rig, title, colour=style.BLUE)
        return style.png(figure)


def residual_pair(before: Residuals | None, after: Residuals | None, rig: Rig) -> bytes:
    """Residuals through the design's warp and through the measured one, side by side, each with its own scale; PNG."""
    with style.styled():
        figure = style.new_figure(height_inch=style.table_height(rig, panel_inch=2.4, extra_inch=1.5))
        left, right = figure.subplots(1, 2)
        _draw(left, before, rig, "Before: the design's warp", colour=style.VERMILION)
        _draw(right, after, rig, "After: the measured warp", colour=style.BLUE, y_label=False)
        return style.png(figure)


def _draw(axes: Axes, residuals: Residuals | None, rig: Rig, title: str, *, colour: str, y_label: bool = True) -> None:
    style.table_axes(axes, rig, title=title, y_label=y_label)
    if residuals is None:
        style.no_data(axes, "not measured")
        return
    known = residuals.known()
    points, vectors = known.points_mm, known.vectors_mm
    length = np.linalg.norm(vectors, axis=1)
    if not len(points):
        style.no_data(axes)
        return
    every = -(-len(points) // _MOST_ARROWS)
    points, vectors = points[::every], vectors[::every]
    enlarged = _enlargement(points, length)
    arrows = axes.quiver(
        *points.T, *(vectors * enlarged).T, angles="xy", scale_units="xy", scale=1.0, color=colour, width=0.005
    )
    rms, p95 = float(np.sqrt(np.mean(length**2))), float(np.percentile(length, 95))
    _scale_key(axes, arrows, nice_length(p95), enlarged)
    figures = f"rms {number(rms, 2)}, P95 {number(p95, 2)} mm\nlargest {number(length.max(), 2)} mm"
    axes.set_xlabel(f"x (mm)\n{figures}\narrows enlarged × {number(enlarged, 2)}")


def _scale_key(axes: Axes, arrows: Quiver, key_mm: float, enlarged: float) -> None:
    """An arrow of a known length below the table, in a strip that the axes get for it."""
    left, right = axes.get_xlim()
    front, back = axes.get_ylim()
    strip = _KEY_STRIP * (right - left)
    axes.set_ylim(front - strip, back)
    tip = left + 0.02 * (right - left) + key_mm * enlarged  # a key with its label on the right is placed by its tip
    how: dict[str, Any] = {"labelpos": "E", "coordinates": "data", "color": style.BLACK}
    axes.quiverkey(arrows, tip, front - 0.4 * strip, key_mm * enlarged, f"{key_mm:g} mm", **how)


def _enlargement(points_mm: Array, length_mm: Array) -> float:
    """How much longer arrows are drawn than they are, so that the 95th percentile is about a point spacing long."""
    reference = float(np.percentile(length_mm, 95))
    if len(points_mm) < 2 or reference <= 0.0:
        return 1.0
    distance, _ = cKDTree(points_mm).query(points_mm, k=2)
    spacing = float(np.median(np.asarray(distance)[:, 1]))
    return _ARROW_SPACINGS * spacing / reference


def nice_length(length_mm: float) -> float:
    """1, 2 or 5 times a power of ten, nearest to a length on a logarithmic scale; 1 for nothing."""
    if not length_mm > 0.0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(length_mm))
    return float(min((n * power for n in _NICE), key=lambda candidate: abs(np.log(candidate / length_mm))))
