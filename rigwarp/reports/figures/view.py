"""Pictures of a view: what of the table it sees, how finely, and how far high things seem to stand."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from rigwarp.geometry import Array
from rigwarp.reports.figures import style
from rigwarp.rig import Rig
from rigwarp.view import ViewCover

_LAYERS = {0: ("nothing sees this", style.VERMILION), 1: ("seen once", style.SKY), 2: ("seen twice", style.GREEN)}
_HIGH_MM = 10.0


def view_cover(cover: ViewCover, rig: Rig) -> bytes:
    """Which part of the table is seen, once or twice or not at all; PNG."""
    with style.styled():
        figure = style.new_figure(height_inch=style.table_height(rig, panel_inch=5.2, extra_inch=1.1))
        axes = figure.add_subplot()
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
        _picture(figure, left, cover, cover.mm_per_px, rig, "Size of a pixel", "long side (mm/pixel)")
        words = f"{_HIGH_MM:g} mm high: seen off by (mm)"
        _picture(figure, right, cover, _HIGH_MM * cover.lean, rig, "Lean of the sight", words, False)
        return style.png(figure)


def _picture(
    figure: Figure, axes: Axes, cover: ViewCover, values: Array, rig: Rig, title: str, words: str, y_label: bool = True
) -> None:
    style.table_axes(axes, rig, title=title, y_label=y_label)
    low, high = style.robust_range(values)
    shown = style.picture_on_table(axes, values, _extent(cover), cmap=style.MAGNITUDE_MAP, vmin=low, vmax=high)
    figure.colorbar(shown, ax=axes, orientation="horizontal", label=words, shrink=0.9)


def _extent(cover: ViewCover) -> tuple[float, float, float, float]:
    half = float(cover.x_mm[1] - cover.x_mm[0]) / 2
    return (
        float(cover.x_mm[0]) - half,
        float(cover.x_mm[-1]) + half,
        float(cover.y_mm[0]) - half,
        float(cover.y_mm[-1]) + half,
    )
