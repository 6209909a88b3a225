"""The whole job through the command line, on a small virtual rig, judged by what was really built."""

import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp import load_warp
from rigwarp.capture import frame_name
from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import current_result, latest_complete, open_rig, read_camera, read_map, read_patterns, write_picture
from rigwarp.files.names import FRAMES
from rigwarp.jobs.demo import map_against_truth
from rigwarp.verification.verdict import Verdict


def run(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> dict[str, Any]:
    """Run a command with --json and return its one object."""
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    written = capsys.readouterr().out
    return json.loads(written) if written else {}


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig with its camera calibrated from photographs and one calibration done."""
    root = make_small_rig(tmp_path_factory.mktemp("whole") / "rig", share=0.4)
    assert main(["camera", str(root)]) == 0
    assert main(["calibrate", str(root)]) == 0
    return root


def test_the_map_agrees_with_what_was_built(rig: Path) -> None:
    folder = open_rig(rig)
    table_map, _ = read_map(current_result(rig) / "map.npz")
    figures = map_against_truth(folder.rig, table_map, open_virtual(folder).true_map())
    assert figures["rms_mm"] < 0.2  # mm; twice the full-size demo's limit, for two fifths of its pixels along each side
    assert figures["coverage"] > 0.97


def test_verification_sees_the_improvement(rig: Path) -> None:
    record = json.loads((current_result(rig) / "verification.json").read_text())
    assert record["before"]["p95_mm"] > 3.0
    assert record["after"]["p95_mm"] < 0.5
    assert not record["after"]["missing"]
    assert not record["after"]["doubled"]


def test_a_result_folder_is_complete(rig: Path) -> None:
    result = current_result(rig)
    wanted = ["start", "map", "as_built", "prewarp", "verification", "budget", "report", "stop", "fit"]
    present = {path.stem for path in result.iterdir()}
    assert set(wanted) <= present
    scan = latest_complete(rig / "scans")
    assert {"start.json", "patterns.json", "frames", "decoded.npz", "stop.json"} <= {p.name for p in scan.iterdir()}


def test_the_picture_is_live_before_the_mirrors_form_is_known(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped while the form was worked at, the rig plays by the new result and every command goes on."""
    root = Path(shutil.copytree(rig, tmp_path / "rig"))
    before = current_result(root)

    def stopped(*_: object) -> None:
        assert (current_result(root) / "prewarp.npz").is_file()
        assert current_result(root) != before
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("rigwarp.jobs.results.fit.fit_mirror", stopped)
        run(capsys, "fit", root, code=130)
    assert not (current_result(root) / "as_built.json").exists()
    assert load_warp(root) is not None
    for command in ("report", "next"):
        run(capsys, command, root)


def test_a_mirror_that_speaks_against_its_result_puts_the_former_one_back(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    root = Path(shutil.copytree(rig, tmp_path / "rig"))
    before = current_result(root)
    answers = iter([Verdict(), Verdict(failures=("the mirror is another one",))])
    monkeypatch.setattr("rigwarp.jobs.results.fit.judge_fit", lambda *_, **__: next(answers))
    monkeypatch.setattr("rigwarp.jobs.results.fit.fit_mirror", lambda *_: None)
    assert not run(capsys, "fit", root, code=6)["current"]
    assert current_result(root) == before


def test_fit_says_the_same_again(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`fit` from the files on disk gives the map that `calibrate` had in memory."""
    before, _ = read_map(current_result(rig) / "map.npz")
    made = run(capsys, "fit", rig)
    after, _ = read_map(Path(made["result"]) / "map.npz")
    both = before.answered & after.answered
    assert both.sum() > 0.999 * before.answered.sum()
    # decoded.npz keeps sigma in four bytes, so weights differ by 1e-7
    assert np.abs(before.table_mm - after.table_mm)[both].max() < 1e-3
    assert set(made["table_map"]) >= {"n", "rms_mm", "p95_mm", "max_mm", "coverage"}
    assert made["table_map"]["rms_mm"] < 0.1
    assert made["as_built"]["figure_rms_um"] > 0.0
    assert 0.0 < made["ready_s"]["map"] < made["ready_s"]["warp"] < made["ready_s"]["mirror"]
    assert set(made["seconds"]) == {"trace", "scan", "decode", "fit", "as_built", "prewarp", "verify", "total"}


def test_an_away_scan_gives_the_same_map(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Patterns out to a folder, photographs back in colour and as JPEG, with a camera.json made elsewhere."""
    folder = open_rig(rig)
    away, copy = tmp_path / "away", tmp_path / "rig"
    copy.mkdir()
    shutil.copy(rig / "rig.toml", copy)
    camera = read_camera(rig / "camera.json")
    foreign = {
        "format": "rigwarp camera",
        "version": 1,
        "resolution": camera.resolution,
        "matrix": camera.matrix.tolist(),
        "distortion": camera.distortion.tolist(),
        "R_camera_from_table": camera.R_camera_from_table.tolist(),
        "t_camera_from_table_mm": camera.t_camera_from_table_mm.tolist(),
    }
    (copy / "camera.json").write_text(json.dumps(foreign))
    run(capsys, "scan", copy, "--export", away)
    patterns = read_patterns(away / "patterns.json")
    virtual = open_virtual(folder)
    (away / FRAMES).mkdir()
    for index in range(len(patterns.frames)):
        shown = cv2.imread(str(away / "patterns" / frame_name(index)), cv2.IMREAD_UNCHANGED)
        assert shown.dtype == np.uint8
        assert shown.shape == folder.rig.projector.resolution[::-1]
        virtual.display.show(shown)
        photo = np.repeat(virtual.camera.grab()[..., None], 3, axis=2)
        assert cv2.imwrite(str(away / FRAMES / f"{index:04d}.jpg"), photo, [cv2.IMWRITE_JPEG_QUALITY, 95])
    run(capsys, "scan", copy, "--import", away)
    made = run(capsys, "fit", copy)
    table_map, _ = read_map(Path(made["result"]) / "map.npz")
    figures = map_against_truth(folder.rig, table_map, virtual.true_map())
    assert figures["rms_mm"] < 0.3
    assert figures["coverage"] > 0.95
    picture, frame = tmp_path / "picture.png", tmp_path / "frame.png"
    write_picture(picture, np.full((270, 270, 3), 200, np.uint8))
    run(capsys, "play", copy, picture, "--still", frame)
    written = cv2.imread(str(frame))
    assert written.shape[:2] == folder.rig.projector.resolution[::-1]
    assert 0.2 < np.mean(written.max(axis=2) > 0) < 0.9


def test_missing_photographs_are_named(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    away = tmp_path / "away"
    run(capsys, "scan", rig, "--export", away)
    (away / FRAMES).mkdir()
    scans = sorted(p.name for p in (rig / "scans").iterdir())
    capsys.readouterr()
    assert main(["scan", str(rig), "--import", str(away)]) == 3
    message = capsys.readouterr().err
    assert "0000" in message
    assert message.count("\n") == 1
    unfinished = [p for p in (rig / "scans").iterdir() if p.name not in scans]
    assert all(not (p / "stop.json").exists() for p in unfinished)
    assert latest_complete(rig / "scans").name in scans


def test_a_scan_of_another_size_is_refused(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "rig"
    shutil.copytree(rig, copy)
    camera = json.loads((copy / "camera.json").read_text())
    camera["resolution"] = [640, 480]
    (copy / "camera.json").write_text(json.dumps(camera))
    current = (copy / "current.json").read_bytes()
    capsys.readouterr()
    assert main(["fit", str(copy)]) == 3
    assert "640 x 480" in capsys.readouterr().err
    assert (copy / "current.json").read_bytes() == current


def test_a_picture_out_of_tolerance_ends_with_6(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After the mirror was knocked by half a degree the old warp no longer fits."""
    copy = tmp_path / "rig"
    shutil.copytree(rig, copy)
    text = (copy / "virtual.toml").read_text(encoding="utf-8")
    moved = text.replace("seat_turn_deg = [0.3, 0.25, 0.3]", "seat_turn_deg = [0.8, 0.25, 0.3]")
    assert moved != text
    (copy / "virtual.toml").write_text(moved, encoding="utf-8")
    capsys.readouterr()
    assert main(["verify", str(copy), "--no-before"]) == 6
    assert "content_p95_mm" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("mistake", "said"),
    [
        ("24 mm squares in rig.toml, 36 on the sheet", "everything is 0.67 of its size"),
        ("the sheet lay the other way round", "your design turned by 180°"),
    ],
)
def test_a_map_that_cannot_be_right_does_not_become_current(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], mistake: str, said: str
) -> None:
    """Board sizes scale the camera's place and leave its lens alone; a sheet turned by 180° turns the table's axes."""
    copy = tmp_path / "rig"
    shutil.copytree(rig, copy)
    camera = json.loads((copy / "camera.json").read_text())
    if "squares" in mistake:
        camera["t_camera_from_table_mm"] = [24.0 / 36.0 * place for place in camera["t_camera_from_table_mm"]]
    else:
        camera["R_camera_from_table"] = [[-x, -y, z] for x, y, z in camera["R_camera_from_table"]]
    (copy / "camera.json").write_text(json.dumps(camera))
    current = (copy / "current.json").read_bytes()
    assert main(["fit", str(copy)]) == 6
    error = capsys.readouterr().err
    assert said in error
    assert "--accept" in error
    assert (copy / "current.json").read_bytes() == current
    assert main(["report", str(copy)]) == 0  # of the result that is still current
    if "squares" in mistake:
        run(capsys, "fit", copy, "--accept")
        assert (copy / "current.json").read_bytes() != current
        assert main(["report", str(copy)]) == 0
        page = (current_result(copy) / "report.html").read_text(encoding="utf-8")
        assert "out of tolerance" in page
        assert said in page
