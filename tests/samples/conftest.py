"""One measured cycle for all tests of this room: it takes ten seconds or so."""

import contextlib
import io
import json
from pathlib import Path

import pytest
from samples_bench import MeasuredCycle, small_bench

from rigwarp.cli import main
from rigwarp.files import read_photo
from rigwarp.jobs.samples.bench_folder import open_bench_folder
from rigwarp.jobs.samples.measure import FRAMES_SHOWN
from rigwarp.samples.cycle import LEGS, CycleFigures, cycle_figures
from rigwarp.samples.leg import read_leg
from rigwarp.simulation.samples import parse_bench_truth


@pytest.fixture(scope="session")
def cycle(tmp_path_factory: pytest.TempPathFactory) -> MeasuredCycle:
    root = small_bench(tmp_path_factory.mktemp("samples") / "box")
    with contextlib.redirect_stdout(io.StringIO()) as written:
        assert main(["samples", "measure", str(root), "polystyrene-a", "--json"]) == 0
    said = json.loads(written.getvalue())
    folder, run = open_bench_folder(root), Path(said["run"])
    legs = {}
    for leg in LEGS:
        photos = [read_photo(run / leg / "frames" / f"{i:04d}.png") for i in range(len(FRAMES_SHOWN))]
        shape = legs["R1"].shape if legs else None
        legs[leg] = read_leg(folder.bench, FRAMES_SHOWN, photos, name=leg, shape=shape)
    truth = parse_bench_truth((root / "virtual_samples.toml").read_text(encoding="utf-8"))
    return MeasuredCycle(folder=folder, said=said, legs=legs, truth=truth, run=run)


@pytest.fixture(scope="session")
def figures(cycle: MeasuredCycle) -> CycleFigures:
    """The cycle's figures, of which the command says the most."""
    return cycle_figures(cycle.folder.bench, cycle.folder.bench.sheet("polystyrene-a"), cycle.legs)
