"""Pictures of a view's map: in the camera's own picture, and as the top view puts it together."""

from typing import Any

import numpy as np
from matplotlib.colors import ListedColormap

from rigwarp.geometry import ViewMap
from rigwarp.reports.figures import style
from rigwarp.view.top import TopMaps


def view_sigma(view: ViewMap) -> bytes:
    """1-sigma of places, and zones, over the camera's pixels; PNG."""
    height, width = view.zone.shape
    with style.styled():
        figure = style.new_figure(height_inch=2.9 * height / width + 1.2)
        left, right = figure.subplots(1, 2)
        low, high = style.robust_range(view.sigma_mm)
        shown = left.imshow(view.sigma_mm, cmap=style.MAGNITUDE_MAP, vmin=low, vmax=high, interpolation="nearest")
        figure.colorbar(shown, ax=(left, right), orientation="horizontal", label="1-sigma per axis (mm)", shrink=0.5)
        colours = np.array([_rgb(colour) for colour in _zone_colours(int(view.zone.max()) + 1)])
        picture = np.full((height, width, 3), _rgb(style.PALE))
        seen = view.zone >= 0
        picture[seen] = colours[view.zone[seen]]
        inferred = seen & ~view.measured
        picture[inferred] = 0.45 * picture[inferred] + 0.55
        right.imshow(picture, interpolation="nearest")
        for zone in np.unique(view.zone[seen]):
            v, u = np.nonzero(view.zone == zone)
            right.text(u.mean(), v.mean(), f"zone {zone}", ha="center", va="center", color="white")
        for axes, title in ((left, "How surely"), (right, "Which zone")):
            axes.set_facecolor(style.PALE)
            axes.set_title(title)
            axes.set_xlabel("u (pixels)")
        left.set_ylabel("v (pixels)")
        return style.png(figure)


def view_top(maps: TopMaps) -> bytes:
    """Which zone shows each place of the top view; PNG."""
    width, depth = maps.top.size_mm
    x, y = maps.top.centre_mm
    with style.styled():
        figure = style.new_figure(height_inch=5.4 * depth / width + 0.9)
        axes = figure.add_subplot()
        colours = _zone_colours(int(maps.zone.max()) + 1)
        values = np.where(maps.zone >= 0, maps.zone, np.nan).astype(float)
        extent = (x - width / 2, x + width / 2, y - depth / 2, y + depth / 2)
        how: dict[str, Any] = {"cmap": ListedColormap(colours), "vmin": -0.5, "vmax": len(colours) - 0.5}
        axes.imshow(values, extent=extent, interpolation="nearest", alpha=0.7, **how)
        for zone in np.unique(maps.zone[maps.zone >= 0]):
            row, column = np.nonzero(maps.zone == zone)
            place = (x + (column.mean() + 0.5) * maps.top.mm_per_pixel - width / 2,
                     y + depth / 2 - (row.mean() + 0.5) * maps.top.mm_per_pixel)  # fmt: skip
            axes.text(*place, f"zone {zone}", ha="center", va="center")
        axes.set_xlabel("x (mm)")
        axes.set_ylabel("y (mm)")
        return style.png(figure)


def _zone_colours(count: int) -> list[str]:
    return [style.SERIES[zone % len(style.SERIES)] for zone in range(max(1, count))]


def _rgb(colour: str) -> tuple[float, ...]:
    return tuple(int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
