"""Displays and cameras, real and virtual, behind the same small protocols."""

from rigwarp.devices.bench import (
    VIRTUAL,
    Bench,
    DisplayChoice,
    MaskedDisplay,
    open_bench,
    open_virtual,
    open_virtual_view,
)
from rigwarp.devices.protocols import (
    Camera,
    ColourCamera,
    Display,
    Frame,
    Losses,
    NetworkCamera,
    OneShotCamera,
    Shot,
    StreamingCamera,
)

__all__ = [
    "VIRTUAL",
    "Bench",
    "Camera",
    "ColourCamera",
    "Display",
    "DisplayChoice",
    "Frame",
    "Losses",
    "MaskedDisplay",
    "NetworkCamera",
    "OneShotCamera",
    "Shot",
    "StreamingCamera",
    "open_bench",
    "open_virtual",
    "open_virtual_view",
]
