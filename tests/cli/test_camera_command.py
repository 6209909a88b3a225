"""`rigwarp camera` and `rigwarp targets` on a rig folder: files made, what is refused, what is kept."""

import dataclasses
import json
import re
import shutil

import cv2
import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.camera import CameraModel, charuco_board
from rigwarp.devices import open_virtual
from rigwarp.files import open_rig, read_camera, read_camera_extra, write_camera, write_picture


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    """A rig folder with four photos of the board and one of the sheet, from the virtual rig."""
    root = make_small_rig(tmp_path_factory.mktemp("camera") / "rig")
    virtual = open_virtual(open_rig(root))
    (root / "lens").mkdir()
    for number, photo in enumerate(virtual.board_photos(5)):
        write_picture(root / "lens" / f"{number}.png", photo)
    write_picture(root / "sheet.png", virtual.table_sheet_photo())
    return root


@pytest.fixture
def calibrated(rig, run):
    """The same folder with a camera.json."""
    if not (rig / "camera.json").exists():
        run("camera", rig, "--lens", rig / "lens", "--table", rig / "sheet.png")
    return rig


def test_makes_a_camera_and_says_what_from(calibrated, rig):
    camera = read_camera(rig / "camera.json")
    assert camera.resolution == open_rig(rig).rig.camera.resolution
    assert camera.covariance is not None
    extra = read_camera_extra(rig / "camera.json")
    assert [photo["use"] for photo in extra["photos"]] == ["lens"] * 5 + ["table"]
    assert all(len(photo["sha256"]) == 64 for photo in extra["photos"])
    np.testing.assert_allclose(extra["table_fit"]["position_mm"], camera.position_mm, atol=1e-9)


def test_figures_of_the_lens_and_the_pose(calibrated, run):
    """Sigmas, coverage, residuals over the frame, what the pose is worth: in camera.json, and a picture beside."""
    extra = read_camera_extra(calibrated / "camera.json")
    lens, table = extra["lens_fit"], extra["table_fit"]
    camera = read_camera(calibrated / "camera.json")
    sigma = np.sqrt(np.diag(camera.covariance))
    # the pose's photo is adjusted together with the board's: it can only make the lens better known
    assert 0.0 < sigma[0] <= lens["sigmas"]["fx"] * 1.05
    assert set(lens["values"]) == {"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"}
    frame = lens["frame"]
    assert np.array(frame["corners"]).shape == (6, 8)
    assert np.array(frame["corners"]).sum() > 150
    assert np.array(frame["sigma_px"]).shape == (6, 8)
    np.testing.assert_allclose(table["position_sigma_mm"], camera.position_sigma_mm)
    assert 0.0 < table["content_sigma_mm"][0] <= table["content_sigma_mm"][1] < 1.0
    assert extra["sheet_height_mm"] == pytest.approx(0.1)
    assert (calibrated / "camera.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_never_overwrites_silently(calibrated, run):
    before = (calibrated / "camera.json").read_bytes()
    code, _, err = run("camera", calibrated, "--lens", calibrated / "lens", "--table", calibrated / "sheet.png")
    assert code == 3
    assert "--replace" in err
    assert (calibrated / "camera.json").read_bytes() == before


def test_replace_keeps_the_old_one_and_table_alone_keeps_the_lens(calibrated, run):
    before = read_camera(calibrated / "camera.json")
    old = (calibrated / "camera.json").read_bytes()
    code, out, _ = run("camera", calibrated, "--table", calibrated / "sheet.png", "--replace", "--json")
    assert code == 0
    result = json.loads(out)
    assert result["lens_fit"] is None
    with open(result["kept_aside"], "rb") as kept:
        assert kept.read() == old
    after = read_camera(calibrated / "camera.json")
    # the sheet's corners are the same ones again, but the print's shape is no longer told by the board photos
    assert np.all(np.abs(after.lens - before.lens) <= np.sqrt(np.diag(before.covariance))[:9])


def test_lens_without_table_is_a_usage_error(rig, run):
    code, _, err = run("camera", rig, "--lens", rig / "lens")
    assert code == 2
    assert "--table" in err


def test_photos_of_another_size_are_refused(rig, run, tmp_path):
    write_picture(tmp_path / "small.png", np.zeros((480, 640), np.uint8))
    code, _, err = run("camera", rig, "--table", tmp_path / "small.png", "--replace")
    assert code == 3
    assert "640 x 480" in err
    assert "camera.resolution" in err


def test_further_sheets_tell_whether_the_table_is_level(calibrated, run):
    """The same photo once more is a sheet that lies exactly as high: its own pose, not a shifted one."""
    sheet = calibrated / "sheet.png"
    code, out, err = run("camera", calibrated, "--table", sheet, "--table", sheet, "--replace", "--json")
    assert code == 0
    result = json.loads(out)
    (further,) = result["further_sheets"]
    assert abs(further["rise_mm"]) < 3 * further["rise_sigma_mm"]
    assert [photo["use"] for photo in result["photos"]] == ["table", "further sheet"]
    assert "not flat" not in err


def test_photographs_of_no_use_are_named_and_the_rest_used(rig, run, tmp_path):
    """A telephone's HEIC, one cut off, one taken twice: the lens is that of the others, and the one that is kept."""
    for photo in (rig / "lens").iterdir():
        shutil.copy(photo, tmp_path)
    (tmp_path / "IMG_1.HEIC").write_bytes(b"\0\0\0\x18ftypheic")
    (tmp_path / "cut.png").write_bytes((rig / "lens" / "0.png").read_bytes()[:3000])
    shutil.copy(tmp_path / "2.png", tmp_path / "twice.png")
    code, out, err = run("camera", rig, "--lens", tmp_path, "--table", rig / "sheet.png", "--replace", "--json")
    assert code == 0
    photos = {photo["file"]: photo for photo in json.loads(out)["photos"]}
    assert "convert it to PNG or JPEG" in photos["IMG_1.HEIC"]["rejected"]
    assert "cannot be read as a picture" in photos["cut.png"]["rejected"]
    assert photos["twice.png"]["rejected"] == "almost the same as photo 3, and counted once"
    assert all("rejected" not in photos[f"{number}.png"] for number in range(5))
    assert all(f"{name} not used" in err for name in ("IMG_1.HEIC", "cut.png", "twice.png"))
    kept, said = read_camera(rig / "camera.json"), json.loads(out)["lens_fit"]
    assert said["values"]["fx"] == kept.lens[0]
    assert said["sigmas"]["fx"] == pytest.approx(np.sqrt(kept.covariance[0, 0]))


def test_a_folder_of_heic_alone_is_named(rig, run, tmp_path):
    (tmp_path / "IMG_1.HEIC").write_bytes(b"\0\0\0\x18ftypheic")
    code, _, err = run("camera", rig, "--lens", tmp_path, "--table", rig / "sheet.png", "--replace")
    assert code == 3
    assert "IMG_1.HEIC" in err
    assert "Convert" in err


def test_one_layout_for_all_photographs(run, tmp_path):
    """A part of an old board that could be read a square off: another photograph of it decides, and a note says so."""
    root = make_small_rig(tmp_path / "rig")
    text = (root / "rig.toml").read_text(encoding="utf-8")
    text = re.sub(r"squares = .*", "squares = [9, 6]", re.sub(r"(\[camera\]\nresolution =) .*", r"\1 [900, 600]", text))
    (root / "rig.toml").write_text(text, encoding="utf-8")
    rig = open_rig(root).rig
    board = charuco_board(dataclasses.replace(rig.target, layout="old")).generateImage((540, 360), marginSize=0)
    seen = {name: np.full((600, 900), 255, np.uint8) for name in ("part", "whole")}
    seen["part"][120:480, 180:720], seen["whole"][120:480, 180:720] = board, board
    seen["part"][:, 640:] = 255
    for name, photo in seen.items():
        write_picture(root / f"{name}.png", cv2.GaussianBlur(photo, (0, 0), 0.8))
    lens = CameraModel(
        resolution=(900, 600),
        matrix=np.array([[900.0, 0.0, 449.5], [0.0, 900.0, 299.5], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R_camera_from_table=np.diag([1.0, -1.0, -1.0]),
        t_camera_from_table_mm=np.array([0.0, 0.0, 600.0]),
        covariance=np.eye(15) * 1e-6,
    )
    write_camera(root / "camera.json", lens, extra={})
    stood = {}
    for name, photos in {"alone": ["part"], "both": ["part", "whole"]}.items():
        tables = [argument for photo in photos for argument in ("--table", root / f"{photo}.png")]
        code, _, err = run("camera", root, *tables, "--replace")
        assert code == 0, err
        stood[name] = read_camera(root / "camera.json").position_mm, err
    assert "No photograph shows in which of OpenCV's two layouts" in stood["alone"][1]
    assert 'layout = "old"' in stood["both"][1]
    square_mm = rig.target.square_mm
    assert abs(stood["both"][0][0] - stood["alone"][0][0]) == pytest.approx(square_mm, rel=0.1)
    assert stood["both"][0][0] == pytest.approx(rig.target.centre_mm[0], abs=0.1 * square_mm)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Another rig folder, without photos."""
    return make_small_rig(tmp_path_factory.mktemp("live") / "rig")


def test_live_photos_of_the_virtual_camera(small, run):
    """Nobody at the keys: the virtual hand holds pose after pose, lays down the sheet, and goes on."""
    code, out, err = run("camera", small, "--no-preview", "--json")
    assert code == 0
    result = json.loads(out)
    (photos,) = (small / "photos").iterdir()
    shots = sorted((photos / "lens").iterdir())
    assert len(shots) >= 10
    assert result["lens_fit"]["photos_used"] >= 10
    assert (photos / "table.png").exists()
    assert "Taken (1)" in err
    # against the truth, which the estimator never saw
    true = np.array(open_virtual(open_rig(small)).true_camera()["matrix"])
    fx, sigma = result["lens_fit"]["values"]["fx"], result["lens_fit"]["sigmas"]["fx"]
    assert abs(fx - true[0, 0]) < 5 * sigma


def test_stopping_keeps_the_shots(run, tmp_path, monkeypatch):
    """Escape after some looks: exit code 130, no camera.json, and the shots are where the message says."""
    root = make_small_rig(tmp_path / "rig")
    looks = []

    def asked(self):
        looks.append(1)
        return "stop" if len(looks) > 16 else None

    monkeypatch.setattr("rigwarp.jobs.bench.preview.PreviewOperator.asked", asked)
    code, _, err = run("camera", root, "--no-preview")
    assert code == 130
    assert not (root / "camera.json").exists()
    (shots,) = (root / "photos").glob("*/lens")
    assert len(list(shots.iterdir())) == 3  # taken at the fourth of the five looks that a pose is held for
    assert f"--lens {shots}" in err


def test_keep_lens_photographs_the_sheet_only(small, run):
    before = read_camera(small / "camera.json")
    code, out, _ = run("camera", small, "--no-preview", "--keep-lens", "--replace", "--json")
    assert code == 0
    assert json.loads(out)["lens_fit"] is None
    newest = max((small / "photos").iterdir())
    assert not (newest / "lens").exists()
    np.testing.assert_allclose(read_camera(small / "camera.json").position_mm, before.position_mm, atol=1.0)


def test_keep_lens_with_photos_is_a_usage_error(small, run):
    code, _, err = run("camera", small, "--keep-lens", "--table", small / "no.png")
    assert code == 2
    assert "--keep-lens" in err


def test_a_camera_that_is_not_there(run, tmp_path):
    root = tmp_path / "real"
    run("new", root)
    text = (root / "rig.toml").read_text()
    (root / "rig.toml").write_text(text.replace('device = "virtual"', 'device = "/dev/no-such-camera"'))
    code, _, err = run("camera", root, "--no-preview")
    assert code == 4
    assert "/dev/no-such-camera" in err
    assert not (root / "camera.json").exists()


def test_targets_for_a_rig(rig, run, tmp_path):
    code, out, _ = run("targets", tmp_path / "sheets", "--rig", rig, "--json")
    assert code == 0
    result = json.loads(out)
    assert {sheet["file"] for sheet in result["sheets"]} == {path.name for path in (tmp_path / "sheets").iterdir()}
    assert all(sheet["square_mm"] == open_rig(rig).rig.target.square_mm for sheet in result["sheets"])
    assert run("targets", tmp_path / "sheets", "--rig", rig)[0] == 3


def test_targets_of_a_size_for_a_larger_table(run, tmp_path, rig):
    code, out, _ = run("targets", tmp_path / "large", "--square", "42", "--json")
    assert code == 0
    sheets = json.loads(out)["sheets"]
    assert {sheet["paper"] for sheet in sheets} == {"A4", "A3", "Letter"}
    assert all(sheet["pages"] > 1 and sheet["marker_mm"] == 31.5 for sheet in sheets)
    assert run("targets", tmp_path / "both", "--square", "55", "--rig", rig)[0] == 2
