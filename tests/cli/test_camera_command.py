"""`rigwarp camera` and `rigwarp targets` on a rig folder: files made, what is refused, what is kept."""

import json

import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import open_rig, read_camera, read_camera_extra, write_picture


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    """A rig folder with four photos of the board and one of the sheet, from the virtual rig."""
    root = tmp_path_factory.mktemp("camera") / "rig"
    assert main(["new", str(root)]) == 0
    virtual = open_virtual(open_rig(root))
    (root / "lens").mkdir()
    for number, photo in enumerate(virtual.board_photos(5)):
        write_picture(root / "lens" / f"{number}.png", photo)
    write_picture(root / "sheet.png", virtual.table_sheet_photo())
    return root


@pytest.fixture
def run(capsys):
    def go(*arguments):
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        return code, said.out, said.err

    return go


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


def test_a_real_camera_cannot_be_driven_yet(run, tmp_path):
    root = tmp_path / "real"
    run("new", root)
    text = (root / "rig.toml").read_text()
    (root / "rig.toml").write_text(text.replace('device = "virtual"', "device = 0"))
    code, _, err = run("camera", root)
    assert code == 4
    assert "--table PHOTO" in err


def test_targets_for_a_rig(rig, run, tmp_path):
    code, out, _ = run("targets", tmp_path / "sheets", "--rig", rig, "--json")
    assert code == 0
    result = json.loads(out)
    assert {sheet["file"] for sheet in result["sheets"]} == {path.name for path in (tmp_path / "sheets").iterdir()}
    assert all(sheet["square_mm"] == open_rig(rig).rig.target.square_mm for sheet in result["sheets"])
    assert run("targets", tmp_path / "sheets", "--rig", rig)[0] == 3
