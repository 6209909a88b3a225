"""A CAD model seen from its reflecting side, its faces numbered, with the outline of the projector's picture on it."""

from itertools import pairwise

import numpy as np
from matplotlib.colors import ListedColormap

from rigwarp.geometry import Array, IntArray
from rigwarp.reports.figures import style
from rigwarp.tracing import CadFaces, OpticalModel

_ACROSS = 500  # rays across the picture
_ON_BORDER = 60  # points along each side of the projector's picture
_AXES = "xyz"


def cad_faces(model: OpticalModel, faces: CadFaces) -> bytes:
    """The faces in colours, the body that no light meets in grey; PNG."""
    across, names = _view(faces.reflecting_side)
    seen, extent = _seen_from_the_front(faces, across)
    colours = [style.PALE, *(style.SERIES[n.number % len(style.SERIES)] for n in faces.notes)]
    height, width = seen.shape
    with style.styled():
        figure, axes = style.one_axes(height_inch=float(np.clip(5.2 * height / width, 1.5, 8.0)) + 1.2)
        shown = np.ma.masked_where(seen < 0, np.clip(seen, 0, len(faces.notes)))
        axes.imshow(
            shown, cmap=ListedColormap(colours), vmin=-0.5, vmax=len(colours) - 0.5, extent=extent, origin="lower"
        )
        axes.plot(*(_footprint_mm(model, faces) @ across).T, color=style.BLACK, linewidth=1.0)
        for note in faces.notes:
            x, y = note.middle_mm @ across
            box = {"color": "black", "pad": 1.5}
            axes.text(x, y, str(note.number), color="white", ha="center", va="center", fontsize=8, bbox=box)
        axes.set_title("The CAD model's faces and the outline of the projector's picture on them")
        axes.set(xlabel=f"{names[0]} (mm, mirror frame)", ylabel=f"{names[1]} (mm, mirror frame)")
        return style.png(figure)


def _view(side: Array) -> tuple[Array, tuple[str, str]]:
    """(3, 2) the picture's axes, and their names: two of the mirror's own, those that lie most across the view."""
    first, second = np.sort(np.argsort(np.abs(side))[:2])
    return np.eye(3)[:, [first, second]], (_AXES[first], _AXES[second])


def _seen_from_the_front(faces: CadFaces, across: Array) -> tuple[IntArray, tuple[float, float, float, float]]:
    """(H, W) -1 where nothing is, 0 for the body, 1 + number for a face; and the picture's (x0, x1, y0, y1)."""
    used = faces.mesh.vertices_mm[np.unique(faces.mesh.faces)]
    low, high = (used @ across).min(axis=0), (used @ across).max(axis=0)
    margin = 0.03 * (high - low).max()
    low, high = low - margin, high + margin
    step = float((high - low).max()) / _ACROSS
    x, y = (np.arange(a, b, step) for a, b in zip(low, high, strict=True))
    depth = np.eye(3)[int(np.argmax(np.abs(faces.reflecting_side)))]
    towards = -depth * np.sign(faces.reflecting_side @ depth)
    far = float((used @ towards).min()) - 1.0
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    starts = grid @ across.T + far * towards
    triangle, _ = faces.body.first(starts, np.broadcast_to(towards, starts.shape))
    seen = np.where(triangle >= 0, 1 + faces.label[triangle], -1)
    return seen.reshape(len(y), len(x)), (low[0], high[0], low[1], high[1])


def _footprint_mm(model: OpticalModel, faces: CadFaces) -> Array:
    """(K, 3) where light along the picture's border meets the body, mirror frame; NaN where it passes."""
    width, height = model.projector.resolution
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]) * [width, height] - 0.5
    border = np.concatenate([np.linspace(a, b, _ON_BORDER) for a, b in pairwise(corners)])
    return faces.glints(model.source_in_mirror_mm, model.pixel_rays(border) @ model.mirror.rotation)[0]
