"""The mesh and gain that undo the distortion."""

from rigwarp.prewarp.build import build_prewarp, content_coordinates
from rigwarp.prewarp.model import Prewarp

__all__ = ["Prewarp", "build_prewarp", "content_coordinates"]
