"""`verify` under a correction by hand, `--quick`, `--reregister`, `--refine` and the watch, on a small virtual rig."""

import json
import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from concave_rig import give_true_camera
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import atomic, current_result, open_rig, read_map, write_adjustment
from rigwarp.files.names import ADJUST_FILE
from rigwarp.jobs.checks.drift import advised
from rigwarp.jobs.checks.watch import DriftWatch
from rigwarp.jobs.demo import map_against_truth
from rigwarp.live.operate.interlude import Interludes, Quiet
from rigwarp.prewarp import Adjustment, Drag
from rigwarp.verification import DriftJudgement, ErrorFigures


def run(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> dict[str, Any]:
    """Run a command with --json and return its one object; {} when it failed."""
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    written = capsys.readouterr().out
    return json.loads(written) if written else {}


def changed(root: Path, old: str, new: str) -> None:
    """Something happens to the real rig."""
    path = root / "virtual.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small rig, its projector a pinhole to save time, with a camera, a fitted scan and its verification."""
    root = make_small_rig(tmp_path_factory.mktemp("drift") / "rig")
    changed(root, "pupil_samples = 7", "pupil_samples = 1")
    give_true_camera(root)
    for words in (["scan", "--no-look"], ["fit"], ["verify", "--no-before"]):
        assert main([words[0], str(root), *words[1:]]) == 0
    return root


@pytest.fixture
def rig(calibrated: Path, tmp_path: Path) -> Path:
    """A copy to spoil; without the scans, which nothing here reads."""
    return Path(shutil.copytree(calibrated, tmp_path / "rig", ignore=shutil.ignore_patterns("scans", "photos")))


def files_of(root: Path) -> dict[str, bytes]:
    """Every file of a rig folder."""
    return {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def test_verification_states_everything(calibrated: Path) -> None:
    record = json.loads((current_result(calibrated) / "verification.json").read_text())
    after = record["after"]
    assert after["p95_mm"] < 0.25
    assert not after["missing"]
    assert not after["doubled"]
    assert after["similarity"]["p95_after_mm"] <= after["p95_mm"] * 1.2
    assert abs(after["affine"]["scale_percent"]) < 0.05  # the camera's own print scale is known to 0.02 %
    assert after["straightness"]["worst_mm"] < 0.3
    assert {"rows", "columns", "diagonals up", "diagonals down"} <= set(after["straightness"])
    light = after["uniformity"]
    assert light["after_gain"]["uniformity"] >= 0.85
    assert light["before_gain"]["uniformity"] < light["after_gain"]["uniformity"]
    lines = after["resolution"]
    assert {(one["place"], one["direction"]) for one in lines} == {
        (place, direction) for place in ("centre", "rim") for direction in ("across", "along")
    }
    coarse = [one["modulation"] for one in lines if one["lines_per_mm"] == 0.0625]
    fine = [one["modulation"] for one in lines if one["lines_per_mm"] == 0.25]
    assert min(coarse) > 0.7
    assert 0.0 < max(fine) < min(coarse)
    assert record["content"]["dots_left_out"] == 0
    assert 1.5 < record["camera_response"] < 3.0  # an sRGB camera


def test_the_dots_move_with_content_that_somebody_moved(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Shifted, turned, enlarged, dragged and masked by hand: the live warp shows the dots where that puts them."""
    by_hand = Adjustment(
        shift_mm=(12.0, -7.0),
        turn_deg=4.0,
        scale=1.03,
        drags=(Drag(at_mm=(50.0, 40.0), by_mm=(6.0, -4.0)),),
        masks=(((-100.0, -100.0), (-40.0, -100.0), (-40.0, -40.0), (-100.0, -40.0)),),
    )
    write_adjustment(rig / ADJUST_FILE, by_hand, revision=3)
    found = run(capsys, "verify", rig, "--no-before")["verification"]["after"]
    record = json.loads((current_result(rig) / "verification.json").read_text())
    assert record["content"]["revision"] == 3
    assert record["content"]["dots_left_out"] > 10  # under the mask, and off the light at the rim
    assert found["p95_mm"] < 0.25
    assert found["missing"] == 0


def test_nothing_has_moved(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = files_of(rig)
    found = run(capsys, "verify", rig, "--quick")
    assert found["findings"] == []
    assert found["advice"] == "nothing"
    assert found["picture"]["p95_mm"] < 0.25
    assert found["light_level"] == pytest.approx(1.0, abs=0.02)
    after = files_of(rig)
    assert {name for name in after if after[name] != before.get(name)} == {
        f"results/{current_result(rig).name}/drift.json"
    }


def test_a_shifted_projector_and_an_old_lamp(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1 mm, and 80 % of the light: both named, out of tolerance before, back to hundredths of a millimetre after."""
    old = current_result(rig)
    changed(rig, "position_error_mm = [1.4, -1.1, 1.6]", "position_error_mm = [2.0, -0.3, 1.6]\nlamp = 0.8")
    found = run(capsys, "verify", rig, "--quick", code=6)
    assert current_result(rig) == old
    record = json.loads((old / "drift.json").read_text())
    assert record["findings"] == found["findings"] == ["projector", "light level"]
    assert found["advice"] == "re-register"
    assert found["light_level"] == pytest.approx(0.8, abs=0.02)
    (motion,) = found["light"]["motions"]
    # mm; a motion's scale hangs on the mirror's power, which one height of the table tells to a tenth or so
    np.testing.assert_allclose(motion["shift_mm"], [0.6, 0.8, 0.0], atol=0.1)
    done = run(capsys, "verify", rig, "--quick", "--reregister")["reregistration"]
    assert done["kept"]
    assert done["picture"]["p95_mm"] < 0.4
    assert current_result(rig) != old
    truth = open_virtual(open_rig(rig)).true_map()
    new_map, _ = read_map(current_result(rig) / "map.npz")
    assert map_against_truth(open_rig(rig).rig, new_map, truth)["p95_mm"] < 0.2
    assert run(capsys, "verify", rig, "--quick")["findings"] == []


def test_a_nudged_camera_gets_its_new_place(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = json.loads((rig / "camera.json").read_text())
    changed(rig, "position_mm = [-420.0, -90.0, 830.0]", "position_mm = [-418.8, -90.0, 831.6]")
    done = run(capsys, "verify", rig, "--quick", "--reregister")
    assert done["findings"] == ["camera"]
    assert done["reregistration"]["camera_kept_aside"].startswith(str(rig / "camera-until-"))
    assert json.loads(Path(done["reregistration"]["camera_kept_aside"]).read_text()) == old
    assert json.loads((rig / "camera.json").read_text())["moved"]["by_mm"] == pytest.approx(2.0, abs=0.5)
    again = run(capsys, "verify", rig, "--quick")
    assert again["findings"] == []
    assert again["picture"]["p95_mm"] < 0.25


def test_a_check_after_a_knock_is_no_measure_for_later_ones(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The look of the good day is kept, so that the next one still finds what has moved."""
    kept = (current_result(rig) / "quick.npz").read_bytes()
    changed(rig, "position_error_mm = [1.4, -1.1, 1.6]", "position_error_mm = [2.0, -0.3, 1.6]")
    capsys.readouterr()
    assert main(["verify", str(rig), "--no-before"]) == 6
    assert "no measure for later ones" in capsys.readouterr().err
    assert (current_result(rig) / "quick.npz").read_bytes() == kept
    found = run(capsys, "verify", rig, "--quick", code=6)
    assert (found["findings"], found["advice"]) == (["projector"], "re-register")


def test_what_has_not_changed_may_have_been_wrong_before(rig: Path) -> None:
    limit = open_rig(rig).rig
    look = DriftJudgement(
        **dict.fromkeys(("camera", "camera_now", "light", "look", "compared", "light_level", "room_light")),
        findings=(),
        advice="nothing",
        why="nothing has changed",
        picture=ErrorFigures(n=60, rms_mm=0.2, p95_mm=0.3, max_mm=0.6),
    )
    assert advised(look, limit) == look
    off = advised(replace(look, picture=ErrorFigures(n=60, rms_mm=3.0, p95_mm=4.1, max_mm=6.0)), limit)
    assert off.advice == "scan"
    assert "nothing has changed, but the picture is off by 4.10 mm" in off.why


@pytest.mark.parametrize("name", ["current.json", "camera.json"])
def test_a_kill_inside_a_re_registration_is_put_right_by_running_again(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Before the switch nothing has happened; after it, the next command finishes it."""
    changed(rig, "position_mm = [-420.0, -90.0, 830.0]", "position_mm = [-418.8, -90.0, 831.6]")
    take_name = atomic._take_name

    def killed(temporary: Path, path: Path, *, replace: bool) -> None:
        if path == rig / name:
            raise KeyboardInterrupt
        take_name(temporary, path, replace=replace)

    monkeypatch.setattr(atomic, "_take_name", killed)
    assert main(["verify", str(rig), "--quick", "--reregister"]) == 130
    monkeypatch.undo()
    done = run(capsys, "verify", rig, "--quick", "--reregister")
    assert done["findings"] == (["camera"] if name == "current.json" else [])
    assert json.loads((rig / "camera.json").read_text())["moved"]["by_mm"] == pytest.approx(2.0, abs=0.5)
    again = run(capsys, "verify", rig, "--quick")
    assert again["findings"] == []
    assert again["picture"]["p95_mm"] < 0.25


def test_refining_a_good_result_changes_nothing(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = current_result(rig)
    done = run(capsys, "verify", rig, "--refine")["refinement"]
    assert done["table"]["flat"]
    assert not done["kept"]
    assert current_result(rig) == old


def test_a_table_bowed_since_the_camera_was_calibrated(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sheet no longer lies where camera.json has it: no refinement by a camera that is out of date."""
    changed(rig, "texture = 0.01", "texture = 0.01\ntable_bow_mm = 2.0")
    before = files_of(rig)
    capsys.readouterr()
    assert main(["verify", str(rig), "--refine"]) == 5
    assert "rigwarp camera" in capsys.readouterr().err
    assert files_of(rig) == before


@pytest.mark.parametrize("how", ["missing", "cut off", "foreign", "not ours", "another rig", "another camera"])
def test_a_stored_look_that_is_no_good(rig: Path, capsys: pytest.CaptureFixture[str], how: str) -> None:
    """Exit code 3, a message that names the file, and nothing changed."""
    path = current_result(rig) / "quick.npz"
    if how == "missing":
        path.unlink()
    elif how == "cut off":
        path.write_bytes(path.read_bytes()[:-1000])
    elif how == "foreign":
        shutil.copy(current_result(rig) / "map.npz", path)
    elif how == "not ours":
        path.write_bytes(b"no archive at all")
    elif how == "another rig":
        text = (rig / "rig.toml").read_text(encoding="utf-8")
        (rig / "rig.toml").write_text(text + "\n# changed\n", encoding="utf-8")
    else:
        camera = json.loads((rig / "camera.json").read_text())
        camera["t_camera_from_table_mm"][0] += 1.0
        (rig / "camera.json").write_text(json.dumps(camera))
    before = files_of(rig)
    capsys.readouterr()
    assert main(["verify", str(rig), "--quick", "--reregister"]) == 3
    assert "quick.npz" in capsys.readouterr().err
    assert files_of(rig) == before


@pytest.mark.parametrize(
    "words", [["--reregister"], ["--quick", "--refine"], ["--sheet", "photo.png"]], ids=lambda words: " ".join(words)
)
def test_options_that_do_not_go_together(rig: Path, words: list[str]) -> None:
    assert main(["verify", str(rig), *words]) == 2


def test_the_design_is_not_watched(rig: Path) -> None:
    assert main(["play", str(rig), "check:grid", "--design", "--watch", "1"]) == 2


class Window:
    """The player's window."""

    def __init__(self, resolution: tuple[int, int]) -> None:
        self.resolution, self.shown = resolution, 0

    def show(self, frame: np.ndarray) -> None:
        """Count."""
        self.shown += 1

    def close(self) -> None:
        """Nothing."""


def test_the_watch_corrects_while_content_plays(rig: Path) -> None:
    """A tilted mirror is found at a quiet moment, and the corrected result is current before the next."""
    changed(rig, "seat_turn_deg = [0.3, 0.25, 0.3]", "seat_turn_deg = [0.48, 0.25, 0.3]")
    folder, old = open_rig(rig), current_result(rig)
    virtual = open_virtual(folder)
    window, interludes, over = Window(virtual.display.resolution), Interludes(), threading.Event()

    def frames() -> None:
        now_s = 0.0
        while not over.wait(0.01):
            now_s += 60.0
            measurement = interludes.due(now_s, at_seam=True)
            if measurement is not None:
                measurement(window)

    player = threading.Thread(target=frames)
    player.start()
    try:
        with DriftWatch(
            folder, interludes, hours=1000.0, quiet=Quiet(), devices=lambda: (virtual.camera, virtual.display)
        ) as watch:
            watch.once()
    finally:
        over.set()
        player.join()
    assert watch.corrections == 1
    assert watch.looks == 2
    assert window.shown == 10
    assert current_result(rig) != old
    record = json.loads((old / "drift.json").read_text())
    assert record["findings"] == ["mirror"]
    assert record["reregistration"]["picture"]["p95_mm"] < 0.4
