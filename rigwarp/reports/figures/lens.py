"""How good the lens is, as a picture: residuals over the frame, corners per cell, and where the lens is uncertain."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from rigwarp.camera.lens.support import LensSupport
from rigwarp.geometry import Array, BoolArray
from rigwarp.reports.figures import style

_ARROW_SHARE = 0.05  # of the frame's width: length of an arrow that stands for the unit
_UNITS_PX = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
_MOST_ARROWS = 1500
_LEFT_SHARE, _PANEL_SHARE = 0.08, 0.78  # of the picture's width
_ROOM_INCH = (0.3, 0.35)  # above and below each panel, for its title and its numbers


def lens_picture(
    support: LensSupport,
    image_px: Sequence[Array],
    residual_px: Sequence[Array],
    kept: Sequence[BoolArray],
    resolution: tuple[int, int],
) -> bytes:
    """PNG of three frames, one above the other.

    Parameters
    ----------
    image_px, residual_px, kept : per photo (N, 2), (N, 2), (N,)
    """
    panel_inch = style.WIDTH_INCH * _PANEL_SHARE * resolution[1] / resolution[0]
    height_inch = float(np.clip(3 * (panel_inch + sum(_ROOM_INCH)), 4.0, 16.0))
    with style.styled():
        figure = style.new_figure(height_inch=height_inch)
        figure.set_layout_engine("none")  # three alike panels: finding their places would take as long as drawing them
        above, below = (room / height_inch for room in _ROOM_INCH)
        places = [(_LEFT_SHARE, row / 3.0 + below, _PANEL_SHARE, 1.0 / 3.0 - above - below) for row in (2, 1, 0)]
        top, middle, bottom = (figure.add_axes(place) for place in places)
        for axes in (top, middle, bottom):
            axes.set(aspect="equal", xlim=(-0.5, resolution[0] - 0.5), ylim=(resolution[1] - 0.5, -0.5))
            axes.spines[:].set_visible(True)
            axes.set_xticks([0, resolution[0] // 2, resolution[0]])
            axes.set_yticks([0, resolution[1] // 2, resolution[1]])
        _arrows(top, image_px, residual_px, kept, resolution)
        _cells(middle, support, resolution)
        shown = bottom.imshow(
            support.sigma_px,
            extent=(-0.5, resolution[0] - 0.5, resolution[1] - 0.5, -0.5),
            cmap=style.MAGNITUDE_MAP,
            interpolation="bilinear",
            vmin=0.0,
        )
        bar = figure.add_axes((_LEFT_SHARE + _PANEL_SHARE + 0.02, places[2][1], 0.02, places[2][3]))
        figure.colorbar(shown, cax=bar, label="px (1 sigma)")
        bottom.set_title("Uncertainty of a direction, what the pose takes up left out")
        return style.png(figure)


def _arrows(
    axes: Axes,
    image_px: Sequence[Array],
    residual_px: Sequence[Array],
    kept: Sequence[BoolArray],
    resolution: tuple[int, int],
) -> None:
    places, vectors, used = (np.concatenate(list(parts)) for parts in (image_px, residual_px, kept))
    every = max(1, int(np.ceil(len(places) / _MOST_ARROWS)))
    typical = float(np.sqrt(np.mean(np.sum(vectors[used] ** 2, axis=-1)))) if used.any() else 1.0
    unit = min(_UNITS_PX, key=lambda u: abs(np.log(u / max(2.0 * typical, 1e-6))))
    scale = unit / (_ARROW_SHARE * resolution[0])
    how: dict[str, Any] = {"angles": "xy", "scale_units": "xy", "scale": scale, "width": 0.0022, "headwidth": 4.0}
    good = np.flatnonzero(used)[::every]
    drawn = axes.quiver(*places[good].T, *vectors[good].T, color=style.BLUE, **how)
    if (~used).any():
        axes.plot(*places[~used].T, "x", color=style.VERMILION, markersize=4, label=f"{int((~used).sum())} left out")
        axes.legend(loc="upper right")
    axes.quiverkey(drawn, 0.9, -0.12, unit, f"{unit:g} px", labelpos="E", coordinates="axes")
    axes.set_title(f"What is left at {int(used.sum())} corners: {typical:.3f} px rms")


def _cells(axes: Axes, support: LensSupport, resolution: tuple[int, int]) -> None:
    rows, columns = support.corners.shape
    empty = support.corners == 0
    axes.imshow(
        np.where(empty, 1.0, 0.0),
        extent=(-0.5, resolution[0] - 0.5, resolution[1] - 0.5, -0.5),
        cmap="Oranges",
        vmin=0.0,
        vmax=2.0,
        interpolation="nearest",
    )
    for row in range(rows):
        for column in range(columns):
            u, v = ((k + 0.5) * n / m for k, n, m in zip((column, row), resolution, (columns, rows), strict=True))
            rms = support.rms_px[row, column]
            text = f"{support.corners[row, column]}" + (f"\n{rms:.3f}" if np.isfinite(rms) else "")
            axes.text(u, v, text, ha="center", va="center", fontsize=7, color=style.BLACK)
    axes.set_title(f"Corners in each cell, and their residuals (px rms); {int(empty.sum())} cells are empty")
