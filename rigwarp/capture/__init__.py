"""Frames out, photographs in: live with a display and a camera, or away from the machine through a folder."""

from rigwarp.capture.photographs.borrowed_camera import averaged
from rigwarp.capture.photographs.latency import Latency
from rigwarp.capture.photographs.paced_display import CHANGES_PER_S, PacedDisplay
from rigwarp.capture.photographs.synchronised_bench import SynchronisedBench, synchronise
from rigwarp.capture.scans.away import export_patterns, import_frames
from rigwarp.capture.scans.frames_folder import frame_name, read_frames, recorded_frames
from rigwarp.capture.scans.record import Recorded, photograph, record_scan
from rigwarp.capture.scans.resume import WHITE, can_look_again, can_resume, moved_since, resume_scan

__all__ = [
    "CHANGES_PER_S",
    "WHITE",
    "Latency",
    "PacedDisplay",
    "Recorded",
    "SynchronisedBench",
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
    "synchronise",
]
