"""The offcut box: a virtual bench with nine pieces, measured as a maker would, and judged by what they really are."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.files import read_text
from rigwarp.files.names import VIRTUAL_SAMPLES_FILE
from rigwarp.geometry import Array
from rigwarp.jobs.progress import NOBODY, Progress
from rigwarp.jobs.samples.bench_folder import BenchFolder, create_bench, open_bench_folder
from rigwarp.jobs.samples.compare import Compared, compare_samples, maps_of, write_comparison
from rigwarp.jobs.samples.measure import measure_sample
from rigwarp.jobs.samples.seats import open_seat
from rigwarp.samples.registered import TILES
from rigwarp.simulation.samples import BenchTruth, parse_bench_truth, true_figures
from rigwarp.simulation.samples.true_figures import rim_share, seen_variance, veil_beyond

SEATINGS = 2
_VEIL_RAD = 0.008
_PLACES = 24  # along each side of what is seen


@dataclass(frozen=True, kw_only=True)
class OffcutBox:
    """What the demo made: its folder, the comparison, the report, and estimate and truth of each sample and figure."""

    root: Path
    compared: Compared
    report: Path
    against_truth: dict[str, dict[str, tuple[float, float]]]


def demo_offcuts(progress: Progress, root: Path, *, seatings: int = SEATINGS) -> OffcutBox:
    """Make the bench folder, measure every piece, compare."""
    create_bench(root, virtual=True)
    folder = open_bench_folder(root)
    names = [name for name in _truth(folder).pieces if name != folder.bench.reference.name]
    with open_seat(folder, NOBODY) as seat:
        for turn in range(seatings):
            for name in names if turn % 2 == 0 else reversed(names):
                measure_sample(progress, folder, name, seat)
    return judge_offcuts(folder)


def judge_offcuts(folder: BenchFolder) -> OffcutBox:
    """Compare what was measured on a virtual bench, and set it beside what the pieces really are."""
    truth, compared = _truth(folder), compare_samples(folder)
    return OffcutBox(
        root=folder.root,
        compared=compared,
        report=write_comparison(folder, compared),
        against_truth={name: _against(folder, compared, truth, name) for name in compared.names},
    )


def _seen(folder: BenchFolder, name: str) -> Array:
    """(n, m, 2) mm, places on the mirror all over what the latest cycle's maps show of it."""
    maps = maps_of(folder, name)
    if maps is None:
        sides = [(-side / 2.0, side / 2.0) for side in folder.bench.opening_mm]
    else:
        sides = [(-n * p / 2.0, n * p / 2.0) for n, p in zip(maps.ratio.shape[::-1], maps.pitch_mm, strict=True)]
    return np.stack(np.meshgrid(*(np.linspace(low, high, _PLACES) for low, high in sides)), axis=-1)


def _truth(folder: BenchFolder) -> BenchTruth:
    path = folder.root / VIRTUAL_SAMPLES_FILE
    return parse_bench_truth(read_text(path), source=str(path))


def _against(folder: BenchFolder, compared: Compared, truth: BenchTruth, name: str) -> dict[str, tuple[float, float]]:
    """Estimate and truth of the figures that have one; of blur, over the part that the latest cycle saw."""
    reference = folder.bench.reference.name
    piece, glass = true_figures(truth, name), true_figures(truth, reference)
    found = compared.mean[compared.names.index(name)]
    points = _seen(folder, name)
    added = seen_variance(truth, truth.pieces[name], points) - seen_variance(truth, truth.pieces[reference], points)
    mrad = np.sign(added) * np.sqrt(np.abs(added)) / truth.far_mm * 1000.0
    veil = [veil_beyond(truth, truth.pieces[one], _VEIL_RAD) for one in (name, reference)]
    ratio = np.mean(np.array(piece["reflectance"]) / np.array(glass["reflectance"]))
    inside = points * TILES / (TILES + 1.0)  # reflectance is told by windows that fade out towards the rim
    ratio *= rim_share(truth, truth.pieces[name], inside) / rim_share(truth, truth.pieces[reference], inside)
    return {
        "blur_in_mrad": (float(found[0]), float(mrad[0])),
        "blur_across_mrad": (float(found[1]), float(mrad[1])),
        "veil": (float(found[2]), veil[0] - veil[1]),
        "reflectance": (float(found[6]), float(ratio)),
    }
