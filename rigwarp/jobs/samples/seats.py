"""Who lays mirrors into the seat: a person by prompts, or the virtual bench by itself."""

import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

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


@dataclass(frozen=True, kw_only=True)
class Seat:
    """A bench with a seat.

    `lay_in(name, again=, turned=)` has a mirror laid in; `again`: it is there, and is to be taken out and put back;
    `turned` by 90 degrees.
    """

    display: Display
    camera: Camera
    lay_in: Callable[..., object]


def _prompted(bench: Bench, person: Person) -> Seat:
    def lay_in(name: str, *, again: bool, turned: bool) -> None:
        bench.display.show(np.zeros(bench.display.resolution[::-1], np.uint8))  # no light while hands are at the seat
        what = f"Take {name} out and lay it in again" if again else f"Lay {name} into the seat, its face to the beam"
        what += ", turned by 90 degrees against how it usually lies" if turned else ""
        if not person.ask(f"{what}; film off, dust blown off, nothing else touched. Then press Enter."):
            raise UsageError(
                "mirrors have to be laid in by somebody at the terminal, and there is nobody. Run the command on a "
                "terminal; or take the photographs elsewhere, with --export and --import."
            )

    return Seat(display=bench.display, camera=bench.camera, lay_in=lay_in)


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
        bench = VirtualSampleBench(parse_bench_truth(text, source=str(path)), seed=seed)
        yield Seat(display=bench, camera=bench, lay_in=lambda name, again, turned: bench.seat(name, turned=turned))
        return
    from rigwarp.devices.open_camera import open_camera  # with the window toolkit, only when there is a window
    from rigwarp.devices.window_display import open_window_display

    with ExitStack() as opened:
        camera = open_camera(folder.bench.camera_device, folder.bench.camera_resolution)
        opened.callback(camera.close)
        window = open_window_display(folder.bench.resolution, display=display)
        opened.callback(window.close)
        ready = synchronise(Bench(display=window, camera=camera), np.random.default_rng(), changes_per_s=CHANGES_PER_S)
        yield _prompted(ready, person)
