"""Content through the prewarp, on a screen or into a file."""

from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.picture import Picture, Renderer
from rigwarp.live.render.warp import Warp, warp_of

__all__ = ["CpuRenderer", "Picture", "Renderer", "Warp", "warp_of"]
