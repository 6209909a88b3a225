"""One measured cycle for all tests of this room: it takes ten seconds or so."""

import contextlib
import io
import json
from pathlib import Path

import pytest
from samples_bench import MeasuredCycle, small_bench

from rigwarp.cli import main
from rigwarp.jobs.samples import measure
from rigwarp.jobs.samples.bench_folder import open_bench_folder
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.cycle import CycleFigures, cycle_figures
from rigwarp.samples.leg import Leg
from rigwarp.simulation.samples import parse_bench_truth


@pytest.fixture(scope="session")
def cycle(tmp_path_factory: pytest.TempPathFactory) -> MeasuredCycle:
    root = small_bench(tmp_path_factory.mktemp("samples") / "box")
    worked_out: list[tuple[dict[str, Leg], CycleFigures]] = []  # by the command, which says the most of it

    def spied(bench: SampleBench, sheet: Sheet, legs: dict[str, Leg]) -> CycleFigures:
        worked_out.append((legs, cycle_figures(bench, sheet, legs)))
        return worked_out[-1][1]

    with contextlib.redirect_stdout(io.StringIO()) as written, pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "cycle_figures", spied)
        assert main(["samples", "measure", str(root), "polystyrene-a", "--json"]) == 0
    said = json.loads(written.getvalue())
    folder, run = open_bench_folder(root), Path(said["run"])
    truth = parse_bench_truth((root / "virtual_samples.toml").read_text(encoding="utf-8"))
    legs, figures = worked_out[0]
    return MeasuredCycle(folder=folder, said=said, legs=legs, figures=figures, truth=truth, run=run)


@pytest.fixture(scope="session")
def figures(cycle: MeasuredCycle) -> CycleFigures:
    """The cycle's figures, as the command worked them out."""
    return cycle.figures
