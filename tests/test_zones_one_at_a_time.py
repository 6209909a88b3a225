"""A mirror of two panels whose pictures overlap: scanned one panel at a time, fitted together, drawn once."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from concave_rig import give_true_camera
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.devices import MaskedDisplay, open_virtual
from rigwarp.files import complete_runs, current_result, open_rig, read_map, read_photo, read_start
from rigwarp.jobs.demo import map_against_truth
from rigwarp.jobs.progress import SILENT
from rigwarp.jobs.scans.raised_check import check_unmoved
from rigwarp.jobs.scans.zones import zones_of


class Screen:
    """A display that remembers what it showed."""

    resolution = (4, 2)

    def show(self, frame: np.ndarray) -> None:
        self.shown = frame

    def close(self) -> None:
        raise AssertionError("a part of a display does not close the whole")


def test_a_masked_display_is_black_outside_the_mask() -> None:
    screen, mask = Screen(), np.array([[True, False, True, False], [False, True, False, True]])
    part = MaskedDisplay(screen, mask)
    for frame in (np.full((2, 4), 9, np.uint8), np.full((2, 4, 3), 9, np.uint8)):
        part.show(frame)
        assert screen.shown.dtype == np.uint8
        assert np.all(screen.shown[mask] == 9)
        assert np.all(screen.shown[~mask] == 0)
    part.close()
    assert part.resolution == (4, 2)


@pytest.fixture(scope="module")
def counter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = make_small_rig(tmp_path_factory.mktemp("zones") / "counter", "folded-counter", share=0.4)
    give_true_camera(root)
    assert main(["scan", str(root)]) == 0
    with pytest.MonkeyPatch.context() as patch:  # nothing here asks for the mirror's form, as the scenario's demo does
        patch.setattr("rigwarp.jobs.results.fit.fit_mirror", lambda *_: None)
        assert main(["fit", str(root)]) == 0
    return root


def test_each_zone_is_scanned_by_itself(counter: Path) -> None:
    settings = [read_start(run).settings for run in complete_runs(counter / "scans")]
    assert [s["zone"] for s in settings] == [0, 1]
    assert len({s["group"] for s in settings}) == 1


def test_the_overlap_is_in_the_map_of_both_zones(counter: Path) -> None:
    folder = open_rig(counter)
    table_map, _ = read_map(current_result(counter) / "map.npz")
    figures = map_against_truth(folder.rig, table_map, open_virtual(folder).true_map())
    assert figures["rms_mm"] < 0.1
    assert figures["coverage"] > 0.99
    seam = np.abs(table_map.x_mm) < 1.0  # the two pictures overlap by about 5 mm around x = 0
    assert (seam & (table_map.zone == 0)).sum() > 100
    assert (seam & (table_map.zone == 1)).sum() > 100


def test_every_dot_is_seen_once(counter: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["verify", str(counter), "--no-before", "--json"]) == 0
    after = json.loads(capsys.readouterr().out)["verification"]["after"]
    assert after["missing"] == 0
    assert after["doubled"] == 0
    assert after["max_mm"] < 0.5


def test_nothing_has_moved_although_a_fit_knows_better_where_zones_part(counter: Path, tmp_path: Path) -> None:
    """The table was scanned by the design's zones; a raised scan after the fit asks whether anything moved since."""
    folder = open_rig(counter)
    scans = complete_runs(counter / "scans")
    then = read_photo(scans[0] / "zones.png").astype(int)
    assert np.count_nonzero(then != zones_of(folder)) > 100
    check_unmoved(SILENT, folder, [tmp_path])
    moved = json.loads((tmp_path / "moved.json").read_text())
    assert moved["since"] == [scan.name for scan in scans]
    assert not moved["moved"]
    assert moved["shift_mm"] < 0.02


def test_a_zone_whose_scan_is_missing_is_named(
    counter: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "counter"
    shutil.copytree(counter, copy)
    (complete_runs(copy / "scans")[0] / "stop.json").unlink()
    capsys.readouterr()
    assert main(["fit", str(copy)]) == 3
    assert "zone 0" in capsys.readouterr().err
