"""What all figures share: size, colours, table outlines, colour bars, and how a figure becomes PNG bytes."""

import io
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import AxesImage

from rigwarp.geometry import Array
from rigwarp.rig import Rig
from rigwarp.rig.canvas import content_outline, table_outline

WIDTH_INCH: Final = 6.0
DPI: Final = 200
"""6 inches at 200 dots: 1200 pixels wide, and the text is still readable when a phone shows it at a third."""

# Okabe and Ito, Color universal design (2008): told apart with every common kind of colour blindness.
BLUE: Final = "#0072B2"
VERMILION: Final = "#D55E00"
GREEN: Final = "#009E73"
PURPLE: Final = "#CC79A7"
ORANGE: Final = "#E69F00"
SKY: Final = "#56B4E9"
YELLOW: Final = "#F0E442"
BLACK: Final = "#000000"
GREY: Final = "#8C8C8C"
BROWN: Final = "#6B4423"
PALE: Final = "#E4E4E4"
SERIES: Final = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, BLACK)

MAGNITUDE_MAP: Final = "viridis"
LIGHT_MAP: Final = "cividis"
SIGNED_MAP: Final = "RdBu_r"
_RIM_SHARE = 0.005  # of values at either end that a colour scale leaves out
_MARGIN = 1.04  # room around the table, of its size
_STYLE: Final[Any] = {
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.labelsize": 9.0,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "legend.fontsize": 8.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "image.interpolation": "nearest",
    "font.family": ["DejaVu Sans"],
}


def new_figure(*, height_inch: float, margin_inch: float | None = None) -> Figure:
    """An empty white figure of the common width; parts are laid out so that nothing overlaps.

    Axes of equal scales are laid out before they get their ticks: a margin leaves room for what these reach beyond.
    """
    figure = Figure(figsize=(WIDTH_INCH, height_inch), dpi=DPI, layout="constrained", facecolor="white")
    layout = figure.get_layout_engine()
    if margin_inch is not None and layout is not None:
        layout.set(w_pad=margin_inch)  # type: ignore[call-arg]
    return figure


def one_axes(*, height_inch: float) -> tuple[Figure, Axes]:
    """A new figure with one pair of axes in it."""
    figure = new_figure(height_inch=height_inch)
    return figure, figure.add_subplot()


def styled() -> Any:
    """The common text sizes and fonts, for a `with` block around the drawing; the caller's own settings return."""
    return rc_context(_STYLE)


def png(figure: Figure, *, source: str = "") -> bytes:
    """The figure as PNG, with a word on what it was drawn from."""
    layout = figure.get_layout_engine()
    if layout is not None:  # here rather than in savefig, which would draw everything once more for it
        layout.execute(figure)
        figure.set_layout_engine("none")
    buffer = io.BytesIO()
    # not by savefig, which draws everything once more to find out how large it gets
    canvas: Any = FigureCanvasAgg(figure)
    canvas.print_png(buffer, metadata={"Software": "rigwarp", "Source": source})
    return buffer.getvalue()


def table_axes(axes: Axes, rig: Rig, *, title: str = "", y_label: bool = True) -> None:
    """Axes over the table in mm: equal scales, outlines of table and content."""
    axes.set(aspect="equal", xlabel="x (mm)", ylabel="y (mm)" if y_label else "", title=title)
    table, content = table_outline(rig.table), content_outline(rig.content)
    axes.plot(*table.T, color=BLACK, linewidth=1.2)
    axes.plot(*content.T, color=BLACK, linewidth=0.8, linestyle=(0, (4, 2)))
    low, high = _shown_range(rig)
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))


def table_height(rig: Rig, *, panel_inch: float, extra_inch: float) -> float:
    """Height of a figure whose table panels are `panel_inch` wide; `extra_inch`: for what stands above and below."""
    low, high = _shown_range(rig)
    width, depth = high - low
    return float(np.clip(panel_inch * depth / width, 1.2, 8.0)) + extra_inch


def _shown_range(rig: Rig) -> tuple[Array, Array]:
    """(2,), (2,) lower and upper end of the axes over the table, mm."""
    reach = np.vstack([table_outline(rig.table), content_outline(rig.content)])
    low, high = reach.min(axis=0), reach.max(axis=0)
    room = (_MARGIN - 1.0) / 2.0 * (high - low)
    return low - room, high + room


def picture_on_table(axes: Axes, values: Array, extent_mm: tuple[float, float, float, float], **how: Any) -> AxesImage:
    """A (ny, nx) value per table cell as a picture; NaN is left blank."""
    return axes.imshow(np.ma.masked_invalid(values), extent=extent_mm, origin="lower", **how)


def table_picture(
    axes: Axes,
    rig: Rig,
    values: Array,
    extent_mm: tuple[float, float, float, float],
    title: str,
    label: str,
    *,
    limits: tuple[float, float] | None = None,
    colours: str = MAGNITUDE_MAP,
    y_label: bool = True,
    across: bool = True,
) -> None:
    """A (ny, nx) value per table cell as a picture over the table, its colour bar below (`across`) or beside it."""
    low, high = robust_range(values) if limits is None else limits
    picture = picture_on_table(axes, values, extent_mm, cmap=colours, vmin=low, vmax=high)
    table_axes(axes, rig, title=title, y_label=y_label)
    if not np.isfinite(values).any():
        no_data(axes)
    where = "bottom" if across else "right"
    axes.figure.colorbar(picture, ax=axes, label=label, location=where, shrink=0.9)


def list_down(axes: Axes, names: Sequence[str]) -> Array:
    """Places of bars (n,) for names from the top down, on axes that are made for them."""
    axes.set_yticks(np.arange(len(names)), list(names))
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.grid(axis="x", color=PALE)
    axes.set_axisbelow(True)
    return np.arange(len(names), dtype=float)


def robust_range(values: Array) -> tuple[float, float]:
    """Limits of a colour scale that a few extreme values at a rim cannot stretch; (0, 1) when there is no value."""
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    low, high = (float(v) for v in np.quantile(known, [_RIM_SHARE, 1.0 - _RIM_SHARE]))
    return (low, high) if high > low else (low - 0.5e-9 - abs(low) * 1e-6, high + 0.5e-9 + abs(high) * 1e-6)


def no_data(axes: Axes, text: str = "no data") -> None:
    """Say so where there is nothing to draw."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color=GREY)
