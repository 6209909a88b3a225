"""Frames out, photographs in: live with a display and a camera, or away from the machine through a folder."""

from rigwarp.capture.averaged_camera import averaged
from rigwarp.capture.away import export_patterns, import_frames
from rigwarp.capture.frames_folder import FRAMES, PATTERNS_FILE, frame_name, read_frames, recorded_frames
from rigwarp.capture.latency import Latency
from rigwarp.capture.look_again import WHITE, can_look_again, moved_since
from rigwarp.capture.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.record import Recorded, photograph, record_scan
from rigwarp.capture.resume import can_resume, resume_scan
from rigwarp.capture.settle import SettledBench, settle

__all__ = [
    "CHANGES_PER_S",
    "FRAMES",
    "PATTERNS_FILE",
    "WHITE",
    "Latency",
    "PacedDisplay",
    "Recorded",
    "SettledBench",
    "averaged",
    "can_look_again",
    "can_resume",
    "export_patterns",
    "frame_name",
    "import_frames",
    "moved_since",
    "photograph",
    "read_frames",
    "record_scan",
    "recorded_frames",
    "resume_scan",
    "settle",
]
