"""The warp as another program has to apply it: everything in it, the correction by hand included."""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.prewarp.adjustment import UNCHANGED, Adjustment, adjusted_canvas, adjusted_gain, masked
from rigwarp.prewarp.build import TOLERANCE_PX, content_coordinates, joined_meshes, mesh_coordinates, zone_mesh
from rigwarp.prewarp.model import Prewarp
from rigwarp.rig import Content


@dataclass(frozen=True, kw_only=True)
class PlainWarp:
    """A warp with nothing left to add, as a mesh and per pixel.

    Attributes
    ----------
    prewarp : mesh and gain, the correction by hand in both; the mesh is all it has, so that every form of it agrees.
    canvas_px : (H, W, 2)
        Content pixel (u, v) that each projector pixel shows, interpolated from the mesh; NaN where none. May lie
        outside the picture where a correction has moved it: black there.
    """

    prewarp: Prewarp
    canvas_px: Array

    @property
    def lit(self) -> BoolArray:
        """(H, W) True where light is wanted."""
        return np.asarray(self.prewarp.gain > 0.0)


def plain_warp(prewarp: Prewarp, content: Content, adjustment: Adjustment = UNCHANGED) -> PlainWarp:
    """Put the correction by hand into the mesh and the gain of a prewarp as measured.

    Shift, turn, scale and drags go into the mesh; brightness, masks and evening out into the gain. The black level,
    which is light added to black, has no place in either. The mesh is within 0.05 content pixels of the corrected map,
    like the one without a correction.
    """
    measured_px = content_coordinates(prewarp)
    shown_px = adjusted_canvas(measured_px, content, adjustment)
    bright = adjusted_gain(prewarp, measured_px, content, adjustment) * adjustment.brightness
    gain = np.where(masked(measured_px, content, adjustment), 0.0, bright)
    if shown_px is measured_px:  # nothing moves
        made = replace(prewarp, gain=gain.astype(np.float32), canvas_px=None)
        return PlainWarp(prewarp=made, canvas_px=mesh_coordinates(made))
    # on the picture, or within a pixel of its edge
    centred = np.abs(shown_px - (np.array(content.pixels) - 1.0) / 2.0)
    gain = np.where(np.all(centred <= np.array(content.pixels) / 2.0 + 1.0, axis=-1), gain, 0.0)
    made = _meshed(replace(prewarp, gain=gain.astype(np.float32), canvas_px=None), shown_px)
    canvas_px = mesh_coordinates(made)
    stray = np.linalg.norm(canvas_px - shown_px, axis=-1)[gain > 0.0]
    made = replace(made, mesh_error_px=float(stray.max()) if stray.size else 0.0)
    return PlainWarp(prewarp=made, canvas_px=canvas_px)


def _meshed(prewarp: Prewarp, shown_px: Array) -> Prewarp:
    """The prewarp with a mesh of other content positions; its own where nothing is lit any more."""
    drawn = np.asarray(prewarp.gain > 0.0)
    zones = np.unique(prewarp.zone[drawn])
    if not len(zones):
        return prewarp
    parts = [zone_mesh(shown_px, drawn, prewarp.zone == zone, TOLERANCE_PX) for zone in zones]
    return replace(prewarp, **joined_meshes(parts, zones))
