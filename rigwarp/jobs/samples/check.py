"""Is the bench good enough? One leg of the reference, looked at before anything is measured."""

from pathlib import Path
from tempfile import TemporaryDirectory

from rigwarp.jobs.progress import Progress
from rigwarp.jobs.samples.bench_folder import BenchFolder
from rigwarp.jobs.samples.measure import FRAMES_SHOWN, photograph_leg, pictures_of
from rigwarp.jobs.samples.seats import Seat
from rigwarp.samples.leg import read_leg
from rigwarp.samples.readiness import Readiness, readiness_of


def check_bench(progress: Progress, folder: BenchFolder, seat: Seat) -> list[Readiness]:
    """Photograph the reference once and judge the bench; the photographs are not kept.

    Raises
    ------
    MeasurementError
        Overexposed, or no light on the screen.
    """
    pictures = pictures_of(folder.bench)
    name = folder.bench.reference.name
    with TemporaryDirectory() as where:
        photos = photograph_leg(progress, Path(where) / "R1", name, seat, pictures, again=False)
    return readiness_of(folder.bench, read_leg(folder.bench, FRAMES_SHOWN, photos, name=name))
