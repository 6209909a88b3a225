"""The devices of a rig, ready to measure: flashing kept slow, the latency known, what cannot be fixed said."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from rigwarp.capture import CHANGES_PER_S, Latency, SynchronisedBench, synchronise
from rigwarp.capture.scans.frames_folder import read_capture_notes
from rigwarp.devices import DisplayChoice, OneShotCamera, open_bench
from rigwarp.files import RigFolder, complete_runs
from rigwarp.files.names import CAPTURE_FILE, SCANS
from rigwarp.jobs.progress import Progress
from rigwarp.words import short_number


@contextmanager
def live_bench(
    progress: Progress,
    folder: RigFolder,
    *,
    display: DisplayChoice = None,
    fast: bool = False,
    raised_mm: float = 0.0,
    quick: bool = False,
    view: bool = False,
) -> Iterator[SynchronisedBench]:
    """Open a rig's devices; each photograph then belongs to the picture that is shown.

    Parameters
    ----------
    display : number of the monitor that is the projector; None: the one of its size.
    fast : change pictures as fast as the devices can, which has to be confirmed before. Virtual rigs always do.
    raised_mm : of the board on the table; a virtual rig's table is raised by it.
    quick : take over the latency that the latest scan measured, where a few changes of the light confirm it.
    view : the rig's camera is that of its view.

    Raises
    ------
    DeviceError, MeasurementError
        If the devices are missing, fail, or do not see each other.
    """
    with open_bench(folder, display=display, raised_mm=raised_mm, view=view) as bench:
        if bench.camera.unlocked:
            progress.note(
                f"Nothing here fixes the camera's {_listed(bench.camera.unlocked)}: fix what changes by itself at the "
                "camera."
            )
        known_max_s = _latency_of_latest_scan(folder) if quick else None
        changes_per_s = None if fast else CHANGES_PER_S
        ready = synchronise(bench, np.random.default_rng(), changes_per_s=changes_per_s, known_max_s=known_max_s)
        if ready.latency is not None:
            _note_latency(progress, ready.latency)
        if isinstance(ready.camera, OneShotCamera):
            each_s = ready.camera.settle_s + ready.camera.photo_s
            progress.note(f"The camera takes {short_number(each_s, 2)} s for each photograph.")
        yield ready


def _latency_of_latest_scan(folder: RigFolder) -> float | None:
    """Its longest, seconds; None where no scan has measured one."""
    measured = [run for run in complete_runs(folder.root / SCANS) if (run / CAPTURE_FILE).is_file()]
    if not measured:
        return None
    return read_capture_notes(measured[-1]).longest_latency_s


def _note_latency(progress: Progress, latency: Latency) -> None:
    progress.note(
        f"From display to camera it takes {1000 * latency.median_s:.0f} ms, at most {1000 * latency.max_s:.0f}; the "
        f"camera delivers {1 / latency.frame_s:.0f} pictures a second."
    )


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
