"""Frames out, photographs in: live with a display and a camera, or away from the machine through a folder."""

from rigwarp.capture.away import export_patterns, import_frames
from rigwarp.capture.record import FRAMES, PATTERNS_FILE, Recorded, frame_name, photograph, read_frames, record_scan

__all__ = [
    "FRAMES",
    "PATTERNS_FILE",
    "Recorded",
    "export_patterns",
    "frame_name",
    "import_frames",
    "photograph",
    "read_frames",
    "record_scan",
]
