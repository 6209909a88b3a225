"""A second scan on a raised board: what it tells of the mirror's radius, judged by what was really built."""

import io
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from concave_rig import give_true_camera, make_concave_rig
from small_rig import make_small_rig

from rigwarp.as_built import AsBuilt
from rigwarp.cli import main
from rigwarp.commands.console import Console
from rigwarp.devices import open_virtual
from rigwarp.files import complete_runs, open_rig, read_camera, read_start, write_picture
from rigwarp.jobs.results import fit_mirror
from rigwarp.jobs.scans.raised_check import check_unmoved
from rigwarp.table_map import MapFacts
from rigwarp.tracing import OpticalModel

STATED_MM, TRUE_MM = 60, 60.7
TRUE_FOLD_DEG = 0.3  # of the scenario's built mirror
TRUE_SLOPE = np.tan(np.radians([0.15, -0.1]))


def run(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> tuple[dict[str, Any], str]:
    """A command with --json: its object, and what it told people meanwhile."""
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    told = capsys.readouterr()
    return (json.loads(told.out) if told.out else {}), told.err


@pytest.fixture(scope="module", autouse=True)
def _told_by_the_table_once() -> Iterator[None]:
    """The scan of the table is the same in every copy of the rig, and tells the same mirror where it is alone."""
    known: dict[bytes, AsBuilt] = {}
    estimate = fit_mirror.estimate_as_built

    def remembered(model: OpticalModel, fit: MapFacts, *also: Any, raised: Any, **how: Any) -> AsBuilt:
        key = b"" if raised else fit.cells.table_mm.tobytes() + fit.cells.camera_px.tobytes()
        built = known.get(key) or estimate(model, fit, *also, raised=raised, **how)
        if key:
            known[key] = built
        return built

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fit_mirror, "estimate_as_built", remembered)
        yield


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig scanned once on its table and once, after that, on the board."""
    root = make_concave_rig(tmp_path_factory.mktemp("raised") / "rig")
    assert main(["scan", str(root), "--no-look"]) == 0
    assert main(["scan", str(root), "--raised", str(STATED_MM), "--no-look"]) == 0
    return root


@pytest.fixture(scope="module")
def without(rig: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same rig whose camera.json was touched since: the raised scan no longer belongs to it."""
    root = tmp_path_factory.mktemp("table") / "rig"
    shutil.copytree(rig, root)
    camera = root / "camera.json"
    camera.write_text(camera.read_text() + "\n")
    return root


def power(figures: dict[str, Any]) -> dict[str, Any]:
    return next(t for t in figures["zernike"]["terms"] if (t["n"], t["m"]) == (2, 0))


def test_the_sheet_tells_where_the_board_stands(rig: Path) -> None:
    """Within three sigmas of the height and the tilt that the board was given."""
    ordinary, raised = (read_start(run).settings for run in complete_runs(rig / "scans"))
    assert "raised_mm" not in ordinary
    assert raised["raised_mm"] == STATED_MM
    board = raised["raised_board"]
    at_middle = TRUE_MM + np.array(board["middle_mm"]) @ TRUE_SLOPE
    assert board["rise_sigma_mm"] < 0.2
    assert board["rise_mm"] == pytest.approx(at_middle, abs=3.0 * board["rise_sigma_mm"])
    np.testing.assert_array_less(np.abs(np.array(board["slope"]) - TRUE_SLOPE), 3.0 * np.array(board["slope_sigma"]))


def test_two_heights_tell_the_radius(rig: Path, without: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The power's sigma shrinks more than three times, to a value that agrees with the mirror that was built.

    The mirror is 1 % too flat: R = 101 instead of 100 mm is z = r^2 / 2 (1 / 101 - 1 / 100), whose Zernike term
    (2, 0) over radius a is -(a^2 / (4 sqrt 3)) (1 / 100 - 1 / 101) apart from terms of fourth order, below 4 %.
    """
    alone, told = run(capsys, "fit", without, "--accept")
    assert "camera.json has changed" in told
    assert power(alone["as_built"])["um"] is None
    assert alone["as_built"]["power"]["radius"] is None
    assert any("radius (power) against its distance" in name for name in alone["as_built"]["unobservable"])
    both, _ = run(capsys, "fit", rig, "--accept")
    figures = both["as_built"]
    table, board = figures["fit"]["heights"]
    assert table["raised_mm"] == 0.0
    assert board["raised_mm"] == pytest.approx(TRUE_MM, abs=0.5)
    assert board["residual_rms_mm"] < 2.0 * table["residual_rms_mm"]
    term = power(figures)
    a = figures["zernike"]["aperture_radius_mm"]
    expected_um = -1000.0 * a**2 / (4.0 * np.sqrt(3.0)) * (1.0 / 100.0 - 1.0 / 101.0)
    assert term["um"] == pytest.approx(expected_um, abs=2.0 * term["sigma_um"] + 0.04 * abs(expected_um))
    radius = figures["power"]["radius"]
    assert radius["built_mm"] == pytest.approx(101.0, abs=2.0 * radius["sigma_mm"])
    assert radius["sigma_mm"] < 0.7
    sigma_alone = sigma_um_in_map(without)
    assert sigma_alone > 3.0 * sigma_um_in_map(rig)


def sigma_um_in_map(root: Path) -> float:
    """The largest sigma of the height map, at its rim: nearly all of it is the power's."""
    result = max(path for path in (root / "results").iterdir() if (path / "stop.json").exists())
    return float(np.nanmax(np.load(result / "as_built.npz")["height_sigma_um"]))


def test_a_height_that_the_sheet_does_not_confirm(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = len(list((rig / "scans").iterdir()))
    photo = rig / "board.png"
    write_picture(photo, open_virtual(open_rig(rig), raised_mm=40.0).table_sheet_photo())
    _, told = run(capsys, "scan", rig, "--raised", "60", "--table", photo, code=5)
    assert re.search(r"stands 40\.[5-9] mm above the table, --raised says 60 mm", told)  # 40.7, sigma 0.14
    assert len(list((rig / "scans").iterdir())) == before
    assert read_camera(rig / "camera.json").covariance is not None


def test_options_that_exclude_each_other(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (["--table", "x.png"], "add --raised"),
        (["--raised", "60", "--resume"], "leave --raised out"),
        (["--raised", "60", "--import", "x"], "needs --table"),
        (["--raised", "60", "--export", "x"], "not with --export"),
    ):
        assert said in run(capsys, "scan", rig, *words, code=2)[1]


def test_a_raised_scan_is_no_map(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raised = complete_runs(rig / "scans")[-1]
    assert "raised board" in run(capsys, "fit", rig, "--scan", raised.name, code=3)[1]


def test_an_interrupted_raised_scan_is_not_calibrated_with(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "rig"
    shutil.copytree(rig, copy)
    (complete_runs(copy / "scans")[-1] / "stop.json").unlink()
    assert "rigwarp scan" in run(capsys, "calibrate", copy, "--resume", code=3)[1]


def test_the_bare_table_is_looked_at_again(rig: Path) -> None:
    """Nothing moved in the simulation: what shows is the noise of two photographs."""
    table, raised = complete_runs(rig / "scans")
    noted = json.loads((raised / "moved.json").read_text())
    assert noted["since"] == [table.name]
    assert not noted["moved"]
    assert noted["shift_mm"] < 0.005


@pytest.mark.parametrize(
    ("device", "scans", "said"),
    [
        ('"virtual"', False, "no live scan of the table to compare with"),
        ("0", True, "Nobody is there to take the board off"),
    ],
)
def test_where_nobody_can_look_again_it_stays_unknown(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], device: str, scans: bool, said: str
) -> None:
    root = tmp_path / "rig"
    shutil.copytree(rig, root)
    if not scans:
        shutil.rmtree(root / "scans")
    text = (root / "rig.toml").read_text()
    (root / "rig.toml").write_text(text.replace('device = "virtual"', f"device = {device}"))
    check_unmoved(Console(json=False), open_rig(root), [tmp_path])
    assert said in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "moved.json").exists()


@pytest.fixture(scope="module")
def knocked(rig: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The rig's mirror turned by 0.1 degrees before the scan on the board, and what that scan said."""
    root = tmp_path_factory.mktemp("knocked") / "rig"
    shutil.copytree(rig, root)
    truth = root / "virtual.toml"
    turned, count = re.subn(r"seat_turn_deg = \[0\.3,", "seat_turn_deg = [0.4,", truth.read_text())
    assert count == 1
    truth.write_text(turned)
    with pytest.MonkeyPatch.context() as patch:
        told = io.StringIO()
        patch.setattr("sys.stderr", told)
        assert main(["scan", str(root), "--raised", str(STATED_MM), "--no-look"]) == 5
    return root, told.getvalue()


def test_a_knock_between_the_scans_is_seen(knocked: tuple[Path, str], capsys: pytest.CaptureFixture[str]) -> None:
    root, told = knocked
    assert "something has moved since the scan of the table" in " ".join(told.split())
    figures, said = run(capsys, "fit", root, "--accept")
    assert "something moved between the scan of the table and that on the board" in " ".join(said.split())
    assert [height["raised_mm"] for height in figures["as_built"]["fit"]["heights"]] == [0.0]


def test_a_knock_that_nobody_looked_for_is_no_mirrors_shape(
    knocked: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """0.1 degrees is 1.4 mm of light: the two scans go together for a mirror centimetres from its place only."""
    root = tmp_path / "rig"
    shutil.copytree(knocked[0], root)
    (complete_runs(root / "scans")[-1] / "moved.json").unlink()
    figures, said = run(capsys, "fit", root, "--accept")
    assert "Something was moved in between" in " ".join(said.split())
    assert [height["raised_mm"] for height in figures["as_built"]["fit"]["heights"]] == [0.0]


def test_a_folded_mirror_on_a_raised_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Panels are lit one at a time on the board too; the fold's springback agrees with what was built."""
    root = make_small_rig(tmp_path / "rig", "folded-counter", share=0.3)
    give_true_camera(root)
    for words in (["scan", root], ["scan", root, "--raised", "60"]):
        run(capsys, *words, "--no-look")
    both, _ = run(capsys, "fit", root, "--accept")
    table, board = both["as_built"]["fit"]["heights"]
    assert (table["raised_mm"], board["raised_mm"]) == (0.0, pytest.approx(60.0, abs=0.3))
    assert board["residual_rms_mm"] < 2.0 * table["residual_rms_mm"]
    (fold,) = both["as_built"]["folds"]
    assert 0.0 < fold["sigma_deg"] < 0.01
    # one panel is hollow, R = 20 m: where its lit part lies 5 mm off its middle, that is tilted by 0.014 deg
    assert fold["opened_deg"] == pytest.approx(TRUE_FOLD_DEG, abs=2.0 * fold["sigma_deg"] + 0.014)
