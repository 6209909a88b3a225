"""The library API: the whole job by an opened rig and by the numeric functions, as demos/whole_job.py does it."""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from small_rig import make_small_rig

import rigwarp
from rigwarp.errors import InputError

DEMO = Path(__file__).resolve().parents[2] / "demos" / "whole_job.py"


@pytest.fixture(scope="module")
def whole_job() -> ModuleType:
    spec = importlib.util.spec_from_file_location("whole_job", DEMO)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_both_ways_give_the_same_warp(
    whole_job: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = make_small_rig(tmp_path / "rig", share=0.25)
    by_jobs = whole_job.by_jobs(root)
    by_functions = whole_job.by_functions(root)
    said = capsys.readouterr()
    assert [line.split()[0] for line in said.out.splitlines()] == ["map", "dots", "map"]  # the script's own lines only
    assert said.err == ""
    both = (by_jobs.gain > 0) & (by_functions.gain > 0)
    assert both.mean() > 0.1
    off = np.linalg.norm(by_jobs.canvas_px - by_functions.canvas_px, axis=-1)[both]
    assert np.quantile(off, 0.95) < 1.0  # canvas px; two calibrations of one rig, each with its own noise


def test_a_folder_without_a_rig_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"rig\.toml"):
        rigwarp.open_rig(tmp_path)
