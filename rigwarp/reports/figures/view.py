"""Pictures of a view: what of the table it sees, how finely, and how far high things seem to stand."""

from typing import Any

import numpy as np
from matplotlib.colors import ListedColormap, to_rgb, to_rgba_array
from matplotlib.patches import Patch

from rigwarp.geometry import ViewMap
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.reports.figures import style
from rigwarp.rig import Rig
from rigwarp.view import ViewCover
from rigwarp.view.top import TopMaps

_LAYERS = {0: ("nothing sees this", style.VERMILION), 1: ("seen once", style.SKY), 2: ("seen twice", style.GREEN)}
_HIGH_MM = 10.0


def view_cover(cover: ViewCover, rig: Rig) -> bytes:
    """Which part of the table is seen, once or twice or not at all; PNG."""
    with style.styled():
        figure, axes = style.one_axes(height_inch=style.table_height(rig, panel_inch=5.2, extra_inch=1.1))
        style.table_axes(axes, rig, title="What the camera sees of the table")
        layers = np.where(cover.layers < 0, np.nan, np.minimum(cover.layers, 2))
        colours = ListedColormap([colour for _, colour in _LAYERS.values()])
        style.picture_on_table(axes, layers, _extent(cover), cmap=colours, vmin=-0.5, vmax=2.5, alpha=0.6)
        shown = [one for number, one in _LAYERS.items() if (layers == number).any()]
        handles = [Patch(color=colour, alpha=0.6, label=word) for word, colour in shown]
        figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False)
        return style.png(figure)


def view_fineness(cover: ViewCover, rig: Rig) -> bytes:
    """Millimetres of a pixel, and how far a thing 10 mm high seems to stand from where it does; PNG."""
    with style.styled():
        figure = style.new_figure(height_inch=style.table_height(rig, panel_inch=2.6, extra_inch=1.2))
        left, right = figure.subplots(1, 2)
        extent, words = _extent(cover), f"{_HIGH_MM:g} mm high: seen off by (mm)"
        style.table_picture(left, rig, cover.mm_per_px, extent, "Size of a pixel", "long side (mm/pixel)")
        style.table_picture(right, rig, _HIGH_MM * cover.lean, extent, "Lean of the sight", words, y_label=False)
        return style.png(figure)


def _extent(cover: ViewCover) -> tuple[float, float, float, float]:
    half = float(cover.x_mm[1] - cover.x_mm[0]) / 2
    x, y = ((float(axis[0]) - half, float(axis[-1]) + half) for axis in (cover.x_mm, cover.y_mm))
    return *x, *y


def view_sigma(view: ViewMap) -> bytes:
    """1-sigma of places, and zones, over the camera's pixels; PNG."""
    height, width = view.zone.shape
    with style.styled():
        figure = style.new_figure(height_inch=2.9 * height / width + 1.2)
        left, right = figure.subplots(1, 2)
        low, high = style.robust_range(view.sigma_mm)
        shown = left.imshow(view.sigma_mm, cmap=style.MAGNITUDE_MAP, vmin=low, vmax=high, interpolation="nearest")
        figure.colorbar(shown, ax=(left, right), orientation="horizontal", label="1-sigma per axis (mm)", shrink=0.5)
        colours = to_rgba_array(_zone_colours(int(view.zone.max()) + 1))[:, :3]
        picture = np.full((height, width, 3), to_rgb(style.PALE))
        seen = view.zone >= 0
        picture[seen] = colours[view.zone[seen]]
        inferred = seen & ~view.measured
        picture[inferred] = 0.45 * picture[inferred] + 0.55
        right.imshow(picture, interpolation="nearest")
        for zone in zones_lit(view.zone):
            v, u = np.nonzero(view.zone == zone)
            right.text(u.mean(), v.mean(), f"zone {zone}", ha="center", va="center", color="white")
        for axes, title in ((left, "How surely"), (right, "Which zone")):
            axes.set(facecolor=style.PALE, title=title, xlabel="u (pixels)")
        left.set_ylabel("v (pixels)")
        return style.png(figure)


def view_top(maps: TopMaps) -> bytes:
    """Which zone shows each place of the top view; PNG."""
    width, depth = maps.top.size_mm
    x, y = maps.top.centre_mm
    with style.styled():
        figure, axes = style.one_axes(height_inch=5.4 * depth / width + 0.9)
        colours = _zone_colours(int(maps.zone.max()) + 1)
        values = np.where(maps.zone >= 0, maps.zone, np.nan).astype(float)
        extent = (x - width / 2, x + width / 2, y - depth / 2, y + depth / 2)
        how: dict[str, Any] = {"cmap": ListedColormap(colours), "vmin": -0.5, "vmax": len(colours) - 0.5}
        axes.imshow(values, extent=extent, interpolation="nearest", alpha=0.7, **how)
        for zone in zones_lit(maps.zone):
            row, column = np.nonzero(maps.zone == zone)
            place = (x + (column.mean() + 0.5) * maps.top.mm_per_pixel - width / 2,
                     y + depth / 2 - (row.mean() + 0.5) * maps.top.mm_per_pixel)  # fmt: skip
            axes.text(*place, f"zone {zone}", ha="center", va="center")
        axes.set(xlabel="x (mm)", ylabel="y (mm)")
        return style.png(figure)


def _zone_colours(count: int) -> list[str]:
    return [style.SERIES[zone % len(style.SERIES)] for zone in range(max(1, count))]
