"""A looped video for a long time: no frame lost or repeated as seen in the window, memory flat.

A few seconds by default; RIGWARP_SOAK_SECONDS=600 plays ten minutes of 1080p at 60 frames per second. The player's
clock is the frame count, so that a busy machine is slow and not wrong: what is checked is the order of what is seen.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import coded_video as coded

SECONDS = float(os.environ.get("RIGWARP_SOAK_SECONDS", "8"))
FLAT_WITHIN = 0.02
"""Of memory after the first third, largest against smallest."""
PROGRAM = """
import importlib.util, json, sys
from pathlib import Path
from rigwarp.live.run import player
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts
from rigwarp.live.run.unattended import resident_mib
from rigwarp.live.sources.video import VideoSource
from rigwarp.live.render.warp import warp_of

def beside(name):
    spec = importlib.util.spec_from_file_location(name, Path(sys.argv[1]) / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module

bent_rig, coded = beside("bent_rig"), beside("coded_video")
path, frames, total = sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
size = (int(sys.argv[5]), int(sys.argv[6]))
counts = Counts()
source = VideoSource(path, counts=counts)
windows, seen, memory, ticks = [], [], [], [0]

def clock():
    return (ticks[0] + 0.5) / coded.RATE_HZ

def look(session):
    seen.append(coded.number_in(windows[0].grab()))
    if ticks[0] % 60 == 0:
        memory.append(resident_mib())
    ticks[0] += 1
    assert source.ready(20.0)

assert source.ready(20.0)
warp = warp_of(bent_rig.plain_prewarp(size=size))
ticks[0] = 0
start = clock()
played = player.play(warp, Session(warp, source, counts=counts), drawing="cpu", frames=total,
                     clock=lambda: clock() - start, pause=lambda s: None, on_open=windows.append, on_frame=look)
wrong = [(n, s) for n, s in enumerate(seen) if s != n % frames]
print(json.dumps({"shown": played.frames, "wrong": wrong[:5], "dropped": counts.dropped, "memory": memory}))
"""


def test_a_looped_video_is_whole_and_memory_flat(tmp_path):
    here = Path(coded.__file__).parent
    size, frames = ((1920, 1080), 600) if SECONDS >= 60 else ((320, 180), 90)
    coded.write_video(tmp_path / "coded.mp4", frames, size)
    total = int(SECONDS * coded.RATE_HZ)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, here, tmp_path / "coded.mp4", str(frames), str(total), *map(str, size)],
        env={**os.environ, "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy"},
        stdout=subprocess.PIPE,
        text=True,
        timeout=60 + 20 * SECONDS,
        check=True,
    )
    result = json.loads(done.stdout.strip().splitlines()[-1])
    assert result["shown"] == total
    assert result["wrong"] == []
    assert result["dropped"] == 0
    memory = result["memory"]  # once a second of film
    sys.stdout.write(f"memory, MiB: {memory[::60]}\n")  # shown by pytest -s
    warmed_up = memory[len(memory) // 3 :]  # decoders and allocators fill their pools first
    assert max(warmed_up) <= (1.0 + FLAT_WITHIN) * min(warmed_up)
