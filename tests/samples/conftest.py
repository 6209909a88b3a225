"""One measured cycle for all tests of this room: it takes some seconds."""

import contextlib
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import pytest
from samples_bench import MeasuredCycle, small_bench

from rigwarp.cli import main
from rigwarp.jobs.samples import measure
from rigwarp.jobs.samples.bench_folder import open_bench_folder
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.cycle import CycleFigures, cycle_figures
from rigwarp.samples.leg import Leg, read_leg
from rigwarp.simulation.samples import parse_bench_truth


@pytest.fixture(scope="session")
def cycle(tmp_path_factory: pytest.TempPathFactory) -> MeasuredCycle:
    root = small_bench(tmp_path_factory.mktemp("samples") / "box", camera_px=264, per_pixel=1.6)
    worked_out: list[tuple[dict[str, Leg], CycleFigures]] = []  # by the command, which says the most of it

    def spied(bench: SampleBench, sheet: Sheet, legs: dict[str, Leg]) -> CycleFigures:
        worked_out.append((legs, _remembered_figures(bench, sheet, legs)))
        return worked_out[-1][1]

    with contextlib.redirect_stdout(io.StringIO()) as written, pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "cycle_figures", spied)
        patch.setattr(measure, "read_leg", _remembered_leg)
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


@pytest.fixture
def remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same photographs are not worked out twice."""
    monkeypatch.setattr(measure, "read_leg", _remembered_leg)
    monkeypatch.setattr(measure, "cycle_figures", _remembered_figures)


_LEGS: dict[bytes, Leg] = {}
_FIGURES: dict[tuple[object, ...], CycleFigures] = {}


def _remembered_leg(bench: SampleBench, frames: Any, photos: Any, *, name: str, shape: float | None = None) -> Leg:
    key = hashlib.sha256(repr((bench.camera_resolution, shape)).encode())
    for photo in photos:
        key.update(photo.tobytes())
    if key.digest() not in _LEGS:
        _LEGS[key.digest()] = read_leg(bench, frames, photos, name=name, shape=shape)
    return _LEGS[key.digest()]


def _remembered_figures(bench: SampleBench, sheet: Sheet, legs: dict[str, Leg]) -> CycleFigures:
    key = (sheet, *((name, id(leg)) for name, leg in legs.items()))
    if key not in _FIGURES:
        _FIGURES[key] = cycle_figures(bench, sheet, legs)
    return _FIGURES[key]
