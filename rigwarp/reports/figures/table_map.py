"""Pictures of a map on the table: the pixel grid, how coarse, how bright, how certain, and who lights what."""

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.patches import Patch
from numpy.typing import NDArray

from rigwarp.geometry import Array, PixelMap
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.reports.figures import style
from rigwarp.reports.measures.pixel_scale import pixel_light, singular_values
from rigwarp.reports.measures.table_raster import TableRaster, raster_table
from rigwarp.rig import Rig, inside_content, inside_table
from rigwarp.tracing import LightFate

_GRID_STEP_PX = 40
_POINT_STEP_PX = 4  # along a drawn grid line
_REASON_WORDS = {
    LightFate.MISSES_MIRROR: "passes the mirror",
    LightFate.SPILL: "passes the mirror, hits the table",
    LightFate.SHADOW_IN: "blocked before the mirror",
    LightFate.SHADOW_OUT: "blocked after the mirror",
    LightFate.UPWARD: "reflected away from the table",
    LightFate.DOUBLE_BOUNCE: "meets the mirror twice",
    LightFate.STRAY: "meets a face beside the mirror",
}


def table_grid(pixel_map: PixelMap, rig: Rig) -> bytes:
    """Every 40th row and column of projector pixels as it lies on the table, one colour per zone; PNG."""
    with style.styled():
        zones = zones_lit(pixel_map.zone)
        extra_inch = 0.8 if len(zones) < 2 else 1.1
        figure, axes = style.one_axes(height_inch=style.table_height(rig, panel_inch=5.2, extra_inch=extra_inch))
        style.table_axes(axes, rig, title=f"The projector's pixels on the table, every {_GRID_STEP_PX}th line")
        for number, zone in enumerate(zones):
            colour = style.SERIES[number % len(style.SERIES)]
            here = np.where((pixel_map.zone == zone)[..., None], pixel_map.table_mm, np.nan)
            _grid_lines(axes, here, colour)
        if not zones:
            style.no_data(axes, "no light on the table")
        if len(zones) > 1:
            shown = [Patch(color=style.SERIES[i % len(style.SERIES)], label=f"zone {z}") for i, z in enumerate(zones)]
            figure.legend(handles=shown[:12], loc="outside lower center", ncols=6, frameon=False)
        return style.png(figure)


def _grid_lines(axes: Axes, table_mm: Array, colour: str) -> None:
    height, width = table_mm.shape[:2]
    for line in range(_GRID_STEP_PX // 2, height, _GRID_STEP_PX):
        axes.plot(*table_mm[line, ::_POINT_STEP_PX].T, color=colour, linewidth=0.7)
    for line in range(_GRID_STEP_PX // 2, width, _GRID_STEP_PX):
        axes.plot(*table_mm[::_POINT_STEP_PX, line].T, color=colour, linewidth=0.7)


def mm_per_pixel(pixel_map: PixelMap, rig: Rig, *, raster: TableRaster | None = None) -> bytes:
    """Long side of a pixel's image in mm and its ratio to the short side, over the table; PNG."""
    raster = raster_table(pixel_map, rig) if raster is None else raster
    large, small = singular_values(raster.jacobian)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = large / small
    with style.styled():
        figure = style.new_figure(height_inch=style.table_height(rig, panel_inch=2.4, extra_inch=1.3))
        left, right = figure.subplots(1, 2)
        extent, words = raster.extent_mm, ("long side (mm/pixel)", "long side / short side")
        style.table_picture(left, rig, raster.mean(large), extent, "Size of a pixel", words[0])
        style.table_picture(right, rig, raster.mean(ratio), extent, "Shape of a pixel", words[1], y_label=False)
        return style.png(figure)


def irradiance(pixel_map: PixelMap, rig: Rig, *, raster: TableRaster | None = None) -> bytes:
    """Brightness of a white picture over the table, relative to the brightest place on the content; PNG."""
    raster = raster_table(pixel_map, rig) if raster is None else raster
    light = raster.irradiance(pixel_light(rig.projector))
    on_content = light[inside_content(rig.content, raster.centres_mm) & np.isfinite(light)]
    light = light / style.robust_range(on_content)[1] if on_content.size else light
    with style.styled():
        figure, axes = style.one_axes(height_inch=style.table_height(rig, panel_inch=4.3, extra_inch=0.8))
        style.table_picture(
            axes,
            rig,
            light,
            raster.extent_mm,
            "Brightness of a white picture",
            "irradiance, brightest content = 1",
            limits=(0.0, max(1.0, style.robust_range(light)[1])),
            colours=style.LIGHT_MAP,
            across=False,
        )
        levels = np.arange(1, 10) / 10.0
        if np.isfinite(light).any() and np.nanmin(light) < levels[-1]:
            lines = axes.contour(raster.x_mm, raster.y_mm, light, levels=levels, colors=style.BLACK, linewidths=0.5)
            axes.clabel(lines, fmt="%.1f", fontsize=7)
        return style.png(figure)


def sigma_map(pixel_map: PixelMap, rig: Rig, *, raster: TableRaster | None = None) -> bytes:
    """1-sigma of the map's position over the table; places inferred from the model are hatched; PNG."""
    raster = raster_table(pixel_map, rig) if raster is None else raster
    with style.styled():
        figure, axes = style.one_axes(height_inch=style.table_height(rig, panel_inch=4.3, extra_inch=0.8))
        sigma, words = 1000.0 * raster.mean(pixel_map.sigma_mm), "1-sigma per axis (µm)"
        style.table_picture(axes, rig, sigma, raster.extent_mm, "Uncertainty of the map", words, across=False)
        inferred = np.nan_to_num(raster.mean((~pixel_map.measured).astype(float)), nan=0.0) > 0.5
        if inferred.any():
            with mpl.rc_context({"hatch.linewidth": 0.5}):
                axes.contourf(raster.x_mm, raster.y_mm, inferred, levels=[0.5, 1.5], colors="none", hatches=["////"])
                axes.plot([], [], color=style.GREY, label="hatched: inferred, not measured")
                figure.legend(loc="outside lower center", frameon=False, handlelength=0)
        return style.png(figure)


def design_light(pixel_map: PixelMap, rig: Rig, *, reason: NDArray[np.uint8] | None = None) -> bytes:
    """What becomes of the light of each projector pixel, as a picture of the projector's own image, with shares; PNG.

    Parameters
    ----------
    reason : (H, W), optional
        `LightFate` of each pixel, from the trace; without it, light that is not in the map is not told apart.
    """
    fate, words, colours = _fates(pixel_map, rig, reason)
    light = pixel_light(rig.projector)
    shares = [100.0 * float(light[fate == i].sum()) for i in range(len(words))]
    with style.styled():
        height, width = fate.shape
        figure, axes = style.one_axes(height_inch=float(np.clip(5.4 * height / width, 1.5, 8.0)) + 1.25)
        axes.imshow(fate, cmap=ListedColormap(colours), vmin=-0.5, vmax=len(words) - 0.5)
        axes.set_title("Where the light of each projector pixel goes")
        axes.set(xlabel="u (projector pixel)", ylabel="v (projector pixel)")
        present = [i for i in range(len(words)) if shares[i] > 0.0]
        handles = [Patch(color=colours[i], label=f"{words[i]}: {shares[i]:.1f} %") for i in present]
        figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False)
        return style.png(figure)


def _fates(
    pixel_map: PixelMap, rig: Rig, reason: NDArray[np.uint8] | None
) -> tuple[NDArray[np.uint8], list[str], list[str]]:
    """(H, W) number of what becomes of each pixel, and a word and a colour for each number."""
    words = ["on the content area", "on the table beside it", "beside the table"]
    colours = [style.GREEN, style.SKY, style.ORANGE]
    table = pixel_map.table_mm
    fate = np.where(inside_table(rig.table, table), np.uint8(1), np.uint8(2))
    fate[inside_content(rig.content, table)] = 0
    dark = ~pixel_map.answered
    fate[dark] = len(words)
    words.append("not there by way of the mirror")
    colours.append(style.GREY)
    if reason is not None:
        others = [style.PALE, style.VERMILION, style.PURPLE, style.BLUE, style.YELLOW, style.BLACK, style.BROWN]
        for (code, word), colour in zip(_REASON_WORDS.items(), others, strict=True):
            fate[dark & (reason == code)] = len(words)
            words.append(word)
            colours.append(colour)
    return fate, words, colours
