"""Displays and cameras, real and virtual, behind the same small protocols."""

from rigwarp.devices.bench import VIRTUAL, Bench, DisplayChoice, open_bench, open_virtual, open_virtual_view
from rigwarp.devices.masked import MaskedDisplay
from rigwarp.devices.protocols import Camera, Display, Frame, OneShotCamera, Shot, StreamingCamera

__all__ = [
    "VIRTUAL",
    "Bench",
    "Camera",
    "Display",
    "DisplayChoice",
    "Frame",
    "MaskedDisplay",
    "OneShotCamera",
    "Shot",
    "StreamingCamera",
    "open_bench",
    "open_virtual",
    "open_virtual_view",
]
