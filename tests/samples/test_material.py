"""`[mirror] material`: what the sample's own slopes explain of a built mirror's."""

import shutil
from dataclasses import replace
from importlib import import_module, resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from rigwarp.as_built import AsBuilt
from rigwarp.cli import main
from rigwarp.errors import InputError
from rigwarp.files import open_rig
from rigwarp.files.records.samples import CycleRecord, SlopeBandRecord
from rigwarp.jobs.samples.material import material_sample, material_shares
from rigwarp.scenarios import create_rig


def built(**parts: Any) -> AsBuilt:
    """Only what is asked of an as-built mirror here."""
    return cast(AsBuilt, SimpleNamespace(**{"ripple": None, "fine_ripples": None, **parts}))


@pytest.fixture(scope="module")
def bench_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("material") / "bench"
    root.mkdir()
    text = resources.files("rigwarp.scenarios").joinpath("bench", "bench.toml").read_text(encoding="utf-8")
    (root / "bench.toml").write_text(text, encoding="utf-8")
    return root


def rig_with(tmp_path: Path, material: str) -> Any:
    root = tmp_path / "rig"
    create_rig("round-table", root)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    (root / "rig.toml").write_text(text.replace("[mirror]\n", f'[mirror]\nmaterial = "{material}"\n'), encoding="utf-8")
    return open_rig(root)


def test_the_material_explains_its_part(bench_once: Path, tmp_path: Path) -> None:
    shutil.copytree(bench_once, tmp_path / "bench")
    where = tmp_path / "bench" / "measured" / "acrylic" / "20260101T000000Z"
    where.mkdir(parents=True)
    band = SlopeBandRecord(shortest_mm=6.5, longest_mm=20.0, rms_mrad=(0.3, 0.4), sigma_mrad=(0.01, 0.01))
    CycleRecord(sample="acrylic", blur_mrad=(0.8, 0.0), bands=(band,)).write(where / "cycle.json")
    folder = rig_with(tmp_path, "../bench/acrylic")
    assert folder.rig.mirror.material == "../bench/acrylic"
    fine = SimpleNamespace(slope_rms_mrad=0.6)
    wave = SimpleNamespace(amplitude_um=2.0, period_mm=10.0)  # 2 pi 2/10 / sqrt 2 = 0.889 mrad rms
    sample = material_sample(folder)
    found = material_shares(sample, built(fine_ripples=(fine,), ripple=wave))
    # a beam's spread of 0.8 mrad is made by slopes of 0.4 mrad; 0.3 and 0.4 mrad together are 0.5
    assert [one.material_mrad for one in found] == pytest.approx([0.4, 0.5])
    assert "explains 0.4 of the 0.6 mrad" in found[0].sentence
    assert found[1].built_mrad == pytest.approx(0.889, abs=1e-3)
    # 1 um of 20 mm: a peak slope of 0.3142 mrad, 0.2221 rms (closed form alone)
    (long,) = material_shares(sample, built(ripple=SimpleNamespace(amplitude_um=1.0, period_mm=20.0)))
    assert [long.built_mrad * np.sqrt(2.0), long.built_mrad] == pytest.approx([0.3142, 0.2221], abs=6e-5)
    assert material_shares(sample, None) == []
    assert material_shares(sample, built()) == []
    unnamed = replace(folder, rig=replace(folder.rig, mirror=replace(folder.rig.mirror, material=None)))
    assert material_shares(material_sample(unnamed), built(fine_ripples=(fine,))) == []


def test_a_material_that_was_not_measured_is_named(bench_once: Path, tmp_path: Path) -> None:
    shutil.copytree(bench_once, tmp_path / "bench")
    where = tmp_path / "bench" / "measured" / "acrylic" / "20260101T000000Z"
    where.mkdir(parents=True)
    CycleRecord(sample="acrylic").write(where / "cycle.json")
    with pytest.raises(InputError, match="expected one of: acrylic"):
        material_sample(rig_with(tmp_path, "../bench/petg"))


def test_a_wrong_material_is_told_before_the_fit_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told after it, the exit code would say that there is no result, and there would be one."""
    monkeypatch.setattr(import_module("rigwarp.commands.fit"), "fit_rig", lambda *_, **__: pytest.fail("it was fitted"))
    rig = rig_with(tmp_path, "../nowhere/petg")
    assert main(["fit", str(rig.root)]) == 3
    assert "nowhere" in capsys.readouterr().err
