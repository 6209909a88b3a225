"""The mesh and gain that undo the distortion, and corrections by hand on top of them."""

from rigwarp.prewarp.adjustment import UNCHANGED, Adjustment, Drag
from rigwarp.prewarp.build import build_prewarp, content_coordinates, mesh_coordinates
from rigwarp.prewarp.model import Prewarp
from rigwarp.prewarp.plain import PlainWarp, plain_warp

__all__ = [
    "UNCHANGED",
    "Adjustment",
    "Drag",
    "PlainWarp",
    "Prewarp",
    "build_prewarp",
    "content_coordinates",
    "mesh_coordinates",
    "plain_warp",
]
