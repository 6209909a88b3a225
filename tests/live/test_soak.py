"""A looped video for a long time: no frame lost or repeated as seen in the window, memory flat.

A few seconds by default; RIGWARP_SOAK_SECONDS=600 plays ten minutes of 1080p at 60 frames per second. The player's
clock is the frame count, so that a busy machine is slow and not wrong: what is checked is the order of what is seen.
"""

import os
import sys

import coded_video as coded
from forked import forked
from offscreen_show import looped_video

SECONDS = float(os.environ.get("RIGWARP_SOAK_SECONDS", "8"))
FLAT_WITHIN = 0.02
"""Of memory after the first third, largest against smallest."""


def test_a_looped_video_is_whole_and_memory_flat(tmp_path):
    size, frames = ((1920, 1080), 600) if SECONDS >= 60 else ((320, 180), 90)
    coded.write_video(tmp_path / "coded.mp4", frames, size)
    total = int(SECONDS * coded.RATE_HZ)
    film = tmp_path / "coded.mp4"
    offscreen, patience_s = {"SDL_VIDEODRIVER": "offscreen"}, 60 + 20 * SECONDS
    result = forked(looped_video, film, frames, total, size, environment=offscreen, within_s=patience_s)
    assert result["shown"] == total
    assert result["wrong"] == []
    assert result["dropped"] == 0
    memory = result["memory"]  # once a second of film
    sys.stdout.write(f"memory, MiB: {memory[::60]}\n")  # shown by pytest -s
    warmed_up = memory[len(memory) // 3 :]  # decoders and allocators fill their pools first
    assert max(warmed_up) <= (1.0 + FLAT_WITHIN) * min(warmed_up)
