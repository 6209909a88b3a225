"""Displays and cameras, real and virtual, behind the same small protocols."""

from rigwarp.devices.bench import VIRTUAL, Bench, open_bench, open_virtual
from rigwarp.devices.masked import MaskedDisplay
from rigwarp.devices.protocols import Camera, Display, Frame, OneShotCamera, Shot, StreamingCamera

__all__ = [
    "VIRTUAL",
    "Bench",
    "Camera",
    "Display",
    "Frame",
    "MaskedDisplay",
    "OneShotCamera",
    "Shot",
    "StreamingCamera",
    "open_bench",
    "open_virtual",
]
