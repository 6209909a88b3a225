"""A thousand patterns through a camera that nothing ties to the display: what is accepted, and how long it takes.

Display and camera are a model in real time (tests/support/loose_stream.py): 100 photographs a second with a rolling
shutter, first without faults, then with lost, repeated and late ones. Time is counted from the flip to the arrival of
the accepted photograph, in frame times of the camera beyond the largest latency that was measured. A photograph is
wrong when a row of it differs from its pattern by more than noise explains.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from loose_stream import NO_FAULTS, Faults, LooseStream, seen

from rigwarp.capture import synchronise
from rigwarp.capture.photographs import latency
from rigwarp.devices import Bench
from rigwarp.patterns import fast_set

_PATTERNS = 1000
_FRAME_S = 0.01  # long against what this machine's clock and scheduler are late by
_WRONG_CODES = 2.7  # rms of a row; noise of 1.5 codes over 64 pixels is below 2.3 with six sigmas
_WANTED_FRAMES = 2.0


def measure() -> dict[str, Any]:
    """Wrong photographs and waiting times, without faults and with them."""
    latency._SETTLE_S = 0.2  # the model's latency is known to be short
    steady = _run(NO_FAULTS, 200)
    faulty = _run(Faults(lost=0.03, stuck=0.05, late=0.03, late_s=6 * _FRAME_S), _PATTERNS)
    return {
        "without_faults": steady,
        "with_faults": faulty,
        "held": {
            f"no mixed or stale photograph in {_PATTERNS} patterns": faulty["wrong"] == 0 == steady["wrong"],
            f"accepted within latency + {_WANTED_FRAMES:g} camera frames": steady["max_frames"] <= _WANTED_FRAMES,
        },
    }


def _run(faults: Faults, count: int) -> dict[str, Any]:
    stream = LooseStream(frame_s=_FRAME_S, exposure_s=0.6 * _FRAME_S, readout_s=0.35 * _FRAME_S)
    bench = synchronise(Bench(display=stream, camera=stream), np.random.default_rng(3), changes_per_s=None)
    assert bench.latency is not None
    stream.faults = faults
    patterns = fast_set(stream.resolution, 2.2)
    pictures = [patterns.picture(index) for index in range(len(patterns.frames))]
    wrong, waits_s = 0, []
    for number in range(count):
        picture = pictures[number % len(pictures)]
        bench.display.show(picture)
        photo = bench.camera.grab()
        waits_s.append(bench.camera.accepted_s - bench.display.shown_s)
        wrong += bool(np.sqrt(((photo - seen(picture)) ** 2).mean(axis=1)).max() > _WRONG_CODES)
    frames = (np.array(waits_s) - bench.latency.max_s) / _FRAME_S
    return {
        "patterns": count,
        "wrong": wrong,
        "retaken": bench.camera.retaken,
        "latency_ms": {"median": 1000 * bench.latency.median_s, "max": 1000 * bench.latency.max_s},
        "median_frames": float(np.median(frames)),
        "max_frames": float(frames.max()),
    }


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    from run import alone

    sys.exit(alone("capture", measure))
