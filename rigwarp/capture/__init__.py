"""Frames out, photographs in: live with a display and a camera, or away from the machine through a folder."""

from rigwarp.capture.averaged_camera import averaged
from rigwarp.capture.away import export_patterns, import_frames
from rigwarp.capture.latency import Latency
from rigwarp.capture.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.record import FRAMES, PATTERNS_FILE, Recorded, frame_name, photograph, read_frames, record_scan
from rigwarp.capture.settle import SettledBench, settle

__all__ = [
    "CHANGES_PER_S",
    "FRAMES",
    "PATTERNS_FILE",
    "Latency",
    "PacedDisplay",
    "Recorded",
    "SettledBench",
    "averaged",
    "export_patterns",
    "frame_name",
    "import_frames",
    "photograph",
    "read_frames",
    "record_scan",
    "settle",
]
