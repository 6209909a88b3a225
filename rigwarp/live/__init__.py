"""Content through the prewarp, on a screen or into a file."""

from rigwarp.live.cpu import CpuRenderer
from rigwarp.live.picture import Picture, Renderer
from rigwarp.live.warp import Warp, warp_of

__all__ = ["CpuRenderer", "Picture", "Renderer", "Warp", "warp_of"]
