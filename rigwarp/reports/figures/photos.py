"""Camera photographs of a check picture, before and after, cut to the table."""

import numpy as np
from matplotlib.axes import Axes

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, Photo, at_height
from rigwarp.reports.figures import style
from rigwarp.rig import Rig
from rigwarp.rig.canvas import content_outline

_MARGIN = 0.06  # room around the content area, of its size in the photograph


def photo_pair(before: Photo | None, after: Photo | None, camera: CameraModel | None, rig: Rig) -> bytes:
    """Two grey photographs (H, W) side by side, their code values shown as they are; PNG.

    With a camera they are cut to the content area, whose outline is drawn; without one they are shown whole.
    """
    outline = None if camera is None else content_outline_px(camera, rig)
    box = next((crop_box(outline, p.shape) for p in (before, after) if p is not None and outline is not None), None)
    if box is None:
        shape: tuple[int, ...] = next((p.shape for p in (before, after) if p is not None), (9, 16))
    else:
        shape = box[0].stop - box[0].start, box[1].stop - box[1].start
    with style.styled():
        figure = style.new_figure(height_inch=float(np.clip(2.9 * shape[0] / shape[1], 1.0, 6.0)) + 0.35)
        left, right = figure.subplots(1, 2)
        _draw(left, before, box, outline, "Before: the design's warp")
        _draw(right, after, box, outline, "After: the measured warp")
        return style.png(figure)


def content_outline_px(camera: CameraModel, rig: Rig) -> Array:
    """(N, 2) closed line around the content area in camera pixels; NaN where the camera cannot see it."""
    return camera.project(at_height(content_outline(rig.content), rig.table.height_mm))


def crop_box(outline_px: Array, shape: tuple[int, ...]) -> tuple[slice, slice] | None:
    """Rows and columns of a photograph of this shape that hold the outline and a margin; None if it does not."""
    known = outline_px[np.isfinite(outline_px).all(axis=1)]
    if not len(known):
        return None
    low, high = known.min(axis=0), known.max(axis=0)
    room = _MARGIN * (high - low)
    first = np.maximum(np.floor(low - room), 0).astype(int)
    last = np.minimum(np.ceil(high + room) + 1, [shape[1], shape[0]]).astype(int)
    if (last - first < 2).any():
        return None
    return slice(int(first[1]), int(last[1])), slice(int(first[0]), int(last[0]))


def _draw(axes: Axes, photo: Photo | None, box: tuple[slice, slice] | None, outline: Array | None, title: str) -> None:
    axes.set_title(title)
    axes.set_axis_off()
    if photo is None:
        style.no_data(axes, "no photograph")
        return
    rows, columns = box or (slice(0, photo.shape[0]), slice(0, photo.shape[1]))
    cut = photo[rows, columns]
    extent = (columns.start - 0.5, columns.stop - 0.5, rows.stop - 0.5, rows.start - 0.5)
    white = np.iinfo(photo.dtype).max
    axes.imshow(cut, cmap="gray", vmin=0, vmax=white, extent=extent, interpolation="antialiased")
    if outline is not None:
        axes.plot(*outline.T, color=style.SKY, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.set_xlim(extent[0], extent[1])
        axes.set_ylim(extent[2], extent[3])
