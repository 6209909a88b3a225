"""The devices of a rig, ready to measure: flashing kept slow, the latency known, what cannot be fixed said."""

import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from rigwarp.capture import CHANGES_PER_S, Latency, SynchronisedBench, synchronise
from rigwarp.capture.scans.capture_file import read_capture_notes
from rigwarp.commands.console import Console
from rigwarp.devices import VIRTUAL, open_bench
from rigwarp.errors import UsageError
from rigwarp.files import RigFolder, complete_runs
from rigwarp.files.names import CAPTURE_FILE, SCANS

FAST_WARNING = (
    "Warning: --fast-patterns changes the whole picture more than six times a second. That is more than the three "
    "flashes a second that are considered safe, and can cause seizures in people with photosensitive epilepsy, also in "
    "those who do not know that they have it. Go on only if nobody can see the projector's light or its reflections."
)


@contextmanager
def live_bench(
    console: Console,
    folder: RigFolder,
    *,
    display: int | None = None,
    fast: bool = False,
    yes: bool = False,
    raised_mm: float = 0.0,
    quick: bool = False,
) -> Iterator[SynchronisedBench]:
    """Open a rig's devices; each photograph then belongs to the picture that is shown.

    Parameters
    ----------
    display : number of the monitor that is the projector; None: the one of its size.
    fast : change pictures as fast as the devices can, after a warning. Virtual rigs always do: nobody watches them.
    yes : the warning has been confirmed.
    raised_mm : of the board on the table; a virtual rig's table is raised by it.
    quick : take over the latency that the latest scan measured, where a few changes of the light confirm it.

    Raises
    ------
    UsageError
        If fast patterns are asked for and nobody confirms.
    DeviceError, MeasurementError
        If the devices are missing, fail, or do not see each other.
    """
    if fast and folder.rig.camera.device != VIRTUAL:
        _confirm(console, yes)
    with open_bench(folder, display=display, raised_mm=raised_mm) as bench:
        if bench.camera.unlocked:
            console.note(
                f"The camera's driver does not fix {_listed(bench.camera.unlocked)}: fix it at the camera itself if it "
                "changes by itself."
            )
        known_max_s = _latency_of_latest_scan(folder) if quick else None
        changes_per_s = None if fast else CHANGES_PER_S
        ready = synchronise(bench, np.random.default_rng(), changes_per_s=changes_per_s, known_max_s=known_max_s)
        if ready.latency is not None:
            _print(console, ready.latency)
        yield ready


def _latency_of_latest_scan(folder: RigFolder) -> float | None:
    """Its longest, seconds; None where no scan has measured one."""
    measured = [run for run in complete_runs(folder.root / SCANS) if (run / CAPTURE_FILE).is_file()]
    if not measured:
        return None
    latency = read_capture_notes(measured[-1]).facts.get("latency")
    max_s = latency.get("max_s") if isinstance(latency, dict) else None
    return float(max_s) if isinstance(max_s, int | float) and max_s > 0 else None


def _print(console: Console, latency: Latency) -> None:
    console.note(
        f"From display to camera it takes {1000 * latency.median_s:.0f} ms, at most {1000 * latency.max_s:.0f}; the "
        f"camera delivers {1 / latency.frame_s:.0f} pictures a second."
    )


def _confirm(console: Console, yes: bool) -> None:
    console.note(textwrap.fill(FAST_WARNING, 100))
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError("--fast-patterns has to be confirmed: answer on a terminal, or add --yes")
    console.note("Type yes to go on:")
    if sys.stdin.readline().strip().lower() != "yes":
        raise UsageError("--fast-patterns was not confirmed; without it patterns keep to a safe rate")


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
