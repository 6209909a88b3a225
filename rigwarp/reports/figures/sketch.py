"""What rig.toml says, drawn: projector, mirror, light and table from the front, from the side and from above."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.path import Path

from rigwarp.geometry import Array, IntArray, Placement, TriangleMesh, at_height
from rigwarp.reports.figures import style
from rigwarp.rig import Rig
from rigwarp.rig.canvas import content_outline, table_outline
from rigwarp.tracing.coarse import coarse_path, mirror_triangles, picture_grid
from rigwarp.tracing.shadows import RayTracer

_VIEWS = (("from the front", 0, 2), ("from the right", 1, 2), ("from above", 0, 1))
_NAMES = ("x (mm)", "y (mm)", "z (mm)")
_AXIS_SHARE = 0.12  # length of a drawn axis, of the largest extent
_MOST_TRIANGLES = 20_000  # of a part that are drawn
_TO_A_PATH = 40
_RAYS_ACROSS = 7
_AXIS_COLOURS = (style.VERMILION, style.GREEN, style.BLUE)


def rig_sketch(
    rig: Rig, *, meshes: Mapping[str, TriangleMesh], profiles: Mapping[str, Array], source: str = ""
) -> bytes:
    """Three views in table mm with the axes of projector and mirror; light by the mirror's triangles; PNG.

    `source` is kept in the picture.
    """
    triangles = mirror_triangles(rig, meshes, profiles)
    parts = [(rig.mirror.placement.to_table(triangles.vertices_mm), triangles.faces, style.PURPLE)]
    for obstacle in rig.obstacles:
        mesh = meshes[obstacle.file]
        parts.append((obstacle.placement.to_table(mesh.vertices_mm), mesh.faces, style.GREY))
    rays = _rays_mm(rig, triangles)
    table = at_height(table_outline(rig.table), rig.table.height_mm)
    content = at_height(content_outline(rig.content), rig.table.height_mm)
    shown = np.concatenate([table, parts[0][0], rig.projector.placement.position_mm[None]])
    size_mm = float(np.ptp(shown, axis=0).max())
    with style.styled():
        figure = style.new_figure(height_inch=6.4, margin_inch=0.2)
        places = figure.subplot_mosaic([["from the front", "from the right"], ["from above", "legend"]])
        for title, i, j in _VIEWS:
            axes = places[title]
            axes.set(aspect="equal", title=title, xlabel=_NAMES[i], ylabel=_NAMES[j])
            axes.plot(table[:, i], table[:, j], color=style.BLACK, linewidth=1.2, label="table")
            axes.plot(content[:, i], content[:, j], color=style.BLACK, linewidth=0.8, linestyle=(0, (4, 2)))
            for number, ray in enumerate(rays):
                colour, width, order = (style.SKY, 0.4, 1) if number else (style.ORANGE, 1.4, 3)
                axes.plot(ray[:, i], ray[:, j], color=colour, linewidth=width, zorder=order)
            for points, faces, colour in parts:
                _draw_part(axes, points, faces, colour, (i, j))
            for placement in (rig.projector.placement, rig.mirror.placement):
                _draw_axes(axes, placement, _AXIS_SHARE * size_mm, (i, j))
            low, high = shown.min(axis=0) - 0.1 * size_mm, shown.max(axis=0) + 0.1 * size_mm
            axes.set(xlim=(low[i], high[i]), ylim=(low[j], high[j]))
        _legend(places["legend"])
        return style.png(figure, source=source)


def _rays_mm(rig: Rig, triangles: TriangleMesh) -> list[Array]:
    """Rays spread over the picture, its middle first: (3 or fewer, 3) points each, as far as they get."""
    middle = (np.array(rig.projector.resolution) - 1) / 2
    pixels = np.concatenate([middle[None], picture_grid(rig, across=_RAYS_ACROSS).reshape(-1, 2)])
    path = coarse_path(rig, RayTracer(triangles), pixels)
    source = rig.projector.placement.position_mm
    rays = [np.stack([source, a, b]) for a, b in zip(path.at_mirror_mm, path.table_mm, strict=True)]
    return [ray[np.isfinite(ray[:, 0])] for ray in rays]


def _draw_part(axes: Axes, points_mm: Array, faces: IntArray, colour: str, view: tuple[int, int]) -> None:
    drawn = faces[:: max(1, len(faces) // _MOST_TRIANGLES)]
    flat = points_mm[:, list(view)][drawn]
    sides = flat[:, 1:] - flat[:, :1]
    turned = sides[:, 0, 0] * sides[:, 1, 1] < sides[:, 0, 1] * sides[:, 1, 0]
    flat[turned] = flat[turned, ::-1]  # all one way round: in one path others would be holes in it
    closed = np.concatenate([flat, flat[:, :1]], axis=1)
    codes = np.array([Path.MOVETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], Path.code_type)
    # some to a path: one each takes matplotlib long, and all in one its rasteriser
    groups = (closed[first : first + _TO_A_PATH] for first in range(0, len(closed), _TO_A_PATH))
    paths = [Path(group.reshape(-1, 2), np.tile(codes, len(group))) for group in groups]
    # edges in the same colour, so that a sheet seen edge-on does not vanish
    axes.add_collection(PathCollection(paths, facecolors=colour, edgecolors=colour, linewidths=0.8, alpha=0.5))


def _draw_axes(axes: Axes, placement: Placement, length_mm: float, view: tuple[int, int]) -> None:
    origin = placement.position_mm
    for axis, colour in enumerate(_AXIS_COLOURS):
        tip = origin + length_mm * placement.rotation[:, axis]
        axes.annotate(
            "",
            xy=tuple(tip[list(view)]),
            xytext=tuple(origin[list(view)]),
            arrowprops={"arrowstyle": "-|>", "color": colour, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0},
        )


def _legend(axes: Axes) -> None:
    axes.set_axis_off()
    lines = [
        ("table", style.BLACK, "-"),
        ("content area", style.BLACK, "--"),
        ("light of the picture's middle", style.ORANGE, "-"),
        ("light of the rest", style.SKY, "-"),
        ("mirror", style.PURPLE, "-"),
        ("obstacle", style.GREY, "-"),
        ("x axis of projector or mirror", style.VERMILION, "-"),
        ("y axis", style.GREEN, "-"),
        ("z axis", style.BLUE, "-"),
    ]
    handles = [axes.plot([], [], color=colour, linestyle=dash, label=label)[0] for label, colour, dash in lines]
    axes.legend(handles=handles, loc="center left", frameon=False, title="The projector looks along its z axis")
