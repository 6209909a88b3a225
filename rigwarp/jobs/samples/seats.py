"""Who lays mirrors into the seat: a person by prompts, or the virtual bench by itself."""

import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Protocol

import numpy as np

from rigwarp.capture import CHANGES_PER_S, synchronise
from rigwarp.devices import VIRTUAL, Bench
from rigwarp.devices.protocols import Camera, Display
from rigwarp.errors import UsageError
from rigwarp.files import read_text
from rigwarp.files.names import MEASURED, VIRTUAL_SAMPLES_FILE
from rigwarp.jobs.progress import Person
from rigwarp.jobs.samples.bench_folder import BenchFolder
from rigwarp.simulation.samples import VirtualSampleBench, parse_bench_truth


class Seat(Protocol):
    """A bench with a seat."""

    display: Display
    camera: Camera

    def lay_in(self, name: str, *, again: bool, turned: bool) -> None:
        """Have a mirror laid in; `again`: it is there, and is to be taken out and put back; `turned` by 90 degrees."""
        ...


class _Virtual:
    def __init__(self, bench: VirtualSampleBench) -> None:
        self._bench = bench
        self.display: Display = bench
        self.camera: Camera = bench

    def lay_in(self, name: str, *, again: bool, turned: bool) -> None:
        self._bench.seat(name, turned=turned)


class _Prompted:
    def __init__(self, bench: Bench, person: Person) -> None:
        self.display, self.camera, self._person = bench.display, bench.camera, person

    def lay_in(self, name: str, *, again: bool, turned: bool) -> None:
        self.display.show(np.zeros(self.display.resolution[::-1], np.uint8))  # no light while hands are at the seat
        what = f"Take {name} out and lay it in again" if again else f"Lay {name} into the seat, its face to the beam"
        what += ", turned by 90 degrees against how it usually lies" if turned else ""
        if not self._person.ask(f"{what}; film off, dust blown off, nothing else touched. Then press Enter."):
            raise UsageError(
                "mirrors have to be laid in by somebody at the terminal, and there is nobody. Run the command on a "
                "terminal; or take the photographs elsewhere, with --export and --import."
            )


@contextmanager
def open_seat(folder: BenchFolder, person: Person, *, display: int | None = None) -> Iterator[Seat]:
    """The bench's devices, given back at the end.

    Raises
    ------
    DeviceError
        The camera or the display is missing or busy.
    """
    if folder.bench.camera_device == VIRTUAL:
        path = folder.root / VIRTUAL_SAMPLES_FILE
        text = read_text(path, make_with="Only virtual benches have one; for a real one set camera.device.")
        # every run of the command is another afternoon: other tilts, another noise, and the same again if repeated
        before = len(list((folder.root / MEASURED).glob("*/*")))
        seed = zlib.crc32(f"{folder.hash} {before}".encode())
        yield _Virtual(VirtualSampleBench(parse_bench_truth(text, source=str(path)), seed=seed))
        return
    from rigwarp.devices.open_camera import open_camera  # with the window toolkit, only when there is a window
    from rigwarp.devices.window_display import open_window_display

    with ExitStack() as opened:
        camera = open_camera(folder.bench.camera_device, folder.bench.camera_resolution)
        opened.callback(camera.close)
        window = open_window_display(folder.bench.resolution, display=display)
        opened.callback(window.close)
        ready = synchronise(Bench(display=window, camera=camera), np.random.default_rng(), changes_per_s=CHANGES_PER_S)
        yield _Prompted(ready, person)
