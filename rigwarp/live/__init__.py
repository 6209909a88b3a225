"""Content through the prewarp, on a screen or into a file."""

from rigwarp.live.cpu import CpuRenderer
from rigwarp.live.picture import Picture, Renderer

__all__ = ["CpuRenderer", "Picture", "Renderer"]
