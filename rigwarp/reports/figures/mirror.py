"""How the built mirror strays from the design: height and slope maps, sections, Zernike terms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from rigwarp.geometry import Array
from rigwarp.geometry.zernike import term_name
from rigwarp.reports.figures import style
from rigwarp.rig import Mirror

_AROUND_INCH = 1.55  # title, axis and colour scale of a map
_TALLEST_INCH = 5.5
_WIDE = 0.6  # depth over width below which a map gets the whole width of the page
_SECTION_INCH = 1.9
_CORNER, _ARROW = np.array([0.12, 0.17]), 0.13  # of a map's width and height
_MOST_TERMS = 28  # orders 0 to 6; more bars cannot be told apart


_SIDES_OF_TABLE = (("table's front", (0.0, -1.0, 0.0)), ("table's right", (1.0, 0.0, 0.0)))


@dataclass(frozen=True, kw_only=True)
class OnThePart:
    """How to find a map's axes on the mirror itself.

    Attributes
    ----------
    side : +1 where the reflecting side looks along the mirror's +z, else -1: maps are shown as seen from the light.
    way : (2,) mirror x and y of the direction in which a side of the table lies, unit length.
    towards : which side that is.
    """

    side: int
    way: Array
    towards: str

    @classmethod
    def mounted(cls, mirror: Mirror, side: int) -> "OnThePart":
        """By where the designed mirror is mounted, the side of the table that its own plane shows best."""
        ways = [(name, (mirror.placement.rotation.T @ np.array(way))[:2]) for name, way in _SIDES_OF_TABLE]
        towards, way = max(ways, key=lambda one: float(np.linalg.norm(one[1])))
        return cls(side=side, way=way / np.linalg.norm(way), towards=towards)

    @property
    def sentence(self) -> str:
        """For a caption."""
        return (
            f"Seen from the light. To find x and y on the part: mounted, the arrow points to the {self.towards} edge."
        )

    def draw(self, axes: Axes) -> None:
        """Turn a map to be seen from the light, and draw the arrow into its corner."""
        if self.side < 0:
            axes.invert_xaxis()
        along = _ARROW * np.array([self.side * self.way[0], self.way[1]])
        look = {"arrowstyle": "-|>", "color": style.BLACK, "linewidth": 1.4}
        start, end = ((float(p[0]), float(p[1])) for p in (_CORNER - along / 2.0, _CORNER + along / 2.0))
        arrow = axes.annotate("", end, start, xycoords="axes fraction", textcoords="axes fraction", arrowprops=look)
        if arrow.arrow_patch is not None:
            arrow.arrow_patch.set_path_effects([withStroke(linewidth=4.0, foreground="white")])
        axes.text(0.02, 0.02, self.towards, transform=axes.transAxes, fontsize=7.0, bbox={"color": "white", "pad": 1.0})


def without_power(x_mm: Array, y_mm: Array, height_um: Array) -> Array:
    """Heights (ny, nx) less their least-squares 1, x, y and x^2 + y^2 over the grid points that have a value."""
    x, y = np.meshgrid(x_mm, y_mm)
    functions = np.stack([np.ones_like(x), x, y, x**2 + y**2], axis=-1)
    known = np.isfinite(height_um)
    share = np.linalg.lstsq(functions[known], height_um[known], rcond=None)[0]
    return np.asarray(height_um - functions @ share)


def deviation_map(
    x_mm: Array,
    y_mm: Array,
    height_um: Array,
    height_sigma_um: Array | None = None,
    *,
    title: str = "Built minus design",
    part: OnThePart | None = None,
) -> bytes:
    """Height deviation over the mirror, and two sections through the middle of the measured area; PNG.

    Parameters
    ----------
    x_mm, y_mm : (nx,), (ny,) mirror frame.
    height_um : (ny, nx) built minus design, NaN outside the lit footprint.
    height_sigma_um : (ny, nx), optional; drawn as a 2-sigma band.
    part : how the map's axes are found on the mirror.
    """
    with style.styled():
        figure, axes, sections = _map_with_sections(x_mm, y_mm)
        _signed_picture(axes, x_mm, y_mm, height_um, title, "height (µm): red stands out towards the light")
        if part is not None:
            part.draw(axes)
            if part.side < 0:
                sections[0].invert_xaxis()
        known = np.isfinite(height_um)
        if known.any():
            # the middles of what is known
            row, column = (int(np.flatnonzero(known.any(axis=axis))[[0, -1]].sum()) // 2 for axis in (1, 0))
            axes.axhline(y_mm[row], color=style.BLUE, linewidth=0.8, linestyle="--")
            axes.axvline(x_mm[column], color=style.GREEN, linewidth=0.8, linestyle="--")
            sigma = np.full_like(height_um, np.nan) if height_sigma_um is None else height_sigma_um
            _section(sections[0], x_mm, height_um[row], sigma[row], f"x (mm) at y = {y_mm[row]:.1f} mm", style.BLUE)
            label = f"y (mm) at x = {x_mm[column]:.1f} mm"
            _section(sections[1], y_mm, height_um[:, column], sigma[:, column], label, style.GREEN)
        else:
            for section in sections:
                style.no_data(section)
        return style.png(figure)


def slope_maps(
    x_mm: Array, y_mm: Array, slope_x_mrad: Array, slope_y_mrad: Array, *, part: OnThePart | None = None
) -> bytes:
    """Slope deviation along x and along y, (ny, nx), with one scale for both, laid on the `part`; PNG."""
    limit = max(_symmetric_limit(slope_x_mrad), _symmetric_limit(slope_y_mrad))
    with style.styled():
        figure = style.new_figure(height_inch=_figure_height(x_mm, y_mm, panel_inch=2.45, least_inch=2.0))
        axes = figure.subplots(1, 2, sharey=True)
        for ax, slope, name in ((axes[0], slope_x_mrad, "x"), (axes[1], slope_y_mrad, "y")):
            label = f"slope deviation along {name} (mrad)"
            _signed_picture(ax, x_mm, y_mm, slope, f"Slope along {name}", label, limit=limit)
        axes[1].set_ylabel("")
        if part is not None:
            for ax in axes:
                part.draw(ax)
        return style.png(figure)


def zernike_bars(terms: Sequence[tuple[int, int, float, float]]) -> bytes:
    """Zernike terms (n, m, um, 1-sigma um) as bars with 2-sigma whiskers; OSA/ANSI norm, so a bar is an rms; PNG."""
    shown = sorted(terms, key=lambda term: (term[0], term[1]))[:_MOST_TERMS]
    with style.styled():
        figure, axes = style.one_axes(height_inch=max(0.25 * len(shown) + 1.0, 1.8))
        if not shown:
            style.no_data(axes)
            return style.png(figure)
        place = style.list_down(axes, [term_name(term[0], term[1]) for term in shown])
        value = np.array([term[2] for term in shown], float)
        sigma = np.nan_to_num(np.array([term[3] for term in shown], float))
        axes.barh(place, value, color=[style.VERMILION if v > 0 else style.BLUE for v in value], height=0.7)
        axes.errorbar(value, place, xerr=2.0 * sigma, fmt="none", ecolor=style.BLACK, elinewidth=1.0, capsize=2.5)
        axes.axvline(0.0, color=style.BLACK, linewidth=0.8)
        axes.set(xlabel="rms contribution to the height (µm), whiskers 2-sigma", title="Deviation by Zernike term")
        return style.png(figure)


def _signed_picture(
    axes: Axes,
    x_mm: Array,
    y_mm: Array,
    values: Array,
    title: str,
    label: str,
    *,
    limit: float | None = None,
) -> None:
    limit = _symmetric_limit(values) if limit is None else limit
    half_x, half_y = (abs(axis[-1] - axis[0]) / max(len(axis) - 1, 1) / 2.0 for axis in (x_mm, y_mm))
    extent = (x_mm[0] - half_x, x_mm[-1] + half_x, y_mm[0] - half_y, y_mm[-1] + half_y)
    axes.set_facecolor(style.PALE)
    picture = style.picture_on_table(axes, values, extent, cmap=style.SIGNED_MAP, vmin=-limit, vmax=limit)
    axes.set(xlabel="mirror x (mm)", ylabel="mirror y (mm)", title=title)
    if not np.isfinite(values).any():
        style.no_data(axes)
    axes.figure.colorbar(picture, ax=axes, label=label, location="bottom", shrink=0.9)


def _map_with_sections(x_mm: Array, y_mm: Array) -> tuple[Figure, Axes, list[Axes]]:
    """A place for the map with two sections beside it; below it where the mirror is wide."""
    if np.ptp(y_mm) < _WIDE * np.ptp(x_mm):
        map_inch = _figure_height(x_mm, y_mm, panel_inch=5.3, least_inch=1.8)
        figure = style.new_figure(height_inch=map_inch + _SECTION_INCH)
        grid = figure.add_gridspec(2, 2, height_ratios=[map_inch, _SECTION_INCH])
        return figure, figure.add_subplot(grid[0, :]), [figure.add_subplot(grid[1, i]) for i in (0, 1)]
    figure = style.new_figure(height_inch=_figure_height(x_mm, y_mm, panel_inch=2.75, least_inch=3.2))
    grid = figure.add_gridspec(2, 2, width_ratios=[1.25, 1.0])
    return figure, figure.add_subplot(grid[:, 0]), [figure.add_subplot(grid[i, 1]) for i in (0, 1)]


def _figure_height(x_mm: Array, y_mm: Array, *, panel_inch: float, least_inch: float) -> float:
    """Height of a figure whose map of the mirror is `panel_inch` wide, so that wide mirrors leave no blank above."""
    wide, deep = (max(float(np.ptp(axis)), 1e-9) for axis in (x_mm, y_mm))
    return float(np.clip(panel_inch * deep / wide + _AROUND_INCH, least_inch, _TALLEST_INCH))


def _section(axes: Axes, along_mm: Array, value: Array, sigma: Array, label: str, colour: str) -> None:
    axes.axhline(0.0, color=style.GREY, linewidth=0.7)
    if np.isfinite(sigma).any():
        axes.fill_between(along_mm, value - 2 * sigma, value + 2 * sigma, color=colour, alpha=0.2, linewidth=0.0)
    axes.plot(along_mm, value, color=colour, linewidth=1.2)
    axes.set(xlabel=label, ylabel="height (µm)")
    axes.margins(x=0.02)


def _symmetric_limit(values: Array) -> float:
    """Largest magnitude, leaving out half a per cent that a rim may produce."""
    known = np.abs(values[np.isfinite(values)])
    return float(np.quantile(known, 0.995)) or 1.0 if known.size else 1.0
