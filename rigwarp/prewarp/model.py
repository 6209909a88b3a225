"""What undoes the distortion: content coordinates per projector pixel, the same as a mesh, and a gain per pixel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.rig import Transfer


@dataclass(frozen=True, kw_only=True)
class Prewarp:
    """Everything a renderer needs to put content undistorted on the table.

    Attributes
    ----------
    projector_resolution : (width, height) native projector pixels.
    content_pixels : (width, height) of the content canvas.
    vertices_px : (N, 2) projector pixels (u, v); no vertex is shared by two zones. Some lie outside the picture.
    content_px : (N, 2)
        Content pixels at those vertices; outside the light they are extrapolated and only serve for drawing.
    triangles : (M, 3) int32
        Vertex numbers; all triangles turn the same way.
    triangle_zone : (M,) int16
        The smooth piece of mirror that a triangle belongs to.
    zone : (H, W) int16
        Which zone's triangles colour a projector pixel; NO_LIGHT (-1): none do.
    gain : (H, W) float32
        Factor on linear light; 0 = black.
    transfer : the projector's transfer curve.
    light : (H, W) float32, optional
        Measured light on the table at white, smoothed, without gaps; with it the evening out can be done anew.
    bare_gain : (H, W) float32, optional
        The gain before the light was evened out.
    mesh_error_px : largest distance, in content pixels, between the mesh and the table map at lit content pixels.
    canvas_px : (H, W, 2) float32, optional
        Content pixel under each projector pixel's centre, straight from the table map; NaN where no light reaches the
        table. Older files lack it: `content_coordinates` then takes the mesh.
    """

    projector_resolution: tuple[int, int]
    content_pixels: tuple[int, int]
    vertices_px: Array
    content_px: Array
    triangles: NDArray[np.int32]
    triangle_zone: NDArray[np.int16]
    zone: NDArray[np.int16]
    gain: NDArray[np.float32]
    transfer: Transfer
    mesh_error_px: float
    light: NDArray[np.float32] | None = None
    bare_gain: NDArray[np.float32] | None = None
    canvas_px: NDArray[np.float32] | None = None
