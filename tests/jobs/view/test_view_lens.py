"""`rigwarp view lens`: photographs of the board by a pinhole camera of known focal length."""

import json

import cv2
import numpy as np
import pytest
from two_wings import make_rig

from rigwarp.camera import charuco_board
from rigwarp.cli import main
from rigwarp.files import open_rig
from rigwarp.files.view_lens_file import read_view_lens

FOCAL_PX, SIZE = 560.0, (960, 540)
TILTS_DEG = [(0, 0), (32, 5), (-30, -6), (6, 34), (-5, -33), (22, -24), (-24, 20), (25, 25)]


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    root = make_rig(tmp_path_factory.mktemp("lens") / "rig", scale=2)
    board = charuco_board(open_rig(root, without_projector=True).rig.view.target)
    drawn = cv2.copyMakeBorder(board.generateImage((1200, 840)), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=255)
    matrix = np.array([[FOCAL_PX, 0, 485.0], [0, FOCAL_PX, 265.0], [0, 0, 1]])
    to_mm = np.array([[0.5, 0, -330.0 + 0.25], [0, 0.5, -240.0 + 0.25], [0, 0, 1]])  # of the drawing's pixels
    (root / "photos").mkdir()
    for number, (pitch, yaw) in enumerate(TILTS_DEG):
        turn, _ = cv2.Rodrigues(np.radians([pitch, yaw, 7.0 * number]))
        place = np.array([60.0 * np.cos(number), 40.0 * np.sin(number), 640.0 + 30.0 * (number % 3)])
        flat = matrix @ np.column_stack([turn[:, 0], turn[:, 1], place]) @ to_mm
        photo = cv2.warpPerspective(drawn, flat, SIZE, flags=cv2.INTER_AREA, borderValue=110)
        cv2.imwrite(str(root / "photos" / f"{number}.png"), cv2.GaussianBlur(photo, (0, 0), 0.7))
    return root


def test_lens_is_found_written_and_kept_aside(rig, capsys):
    assert main(["view", "lens", str(rig), "--photos", str(rig / "photos"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["photos_used"] >= 6
    lens = read_view_lens(rig / "view_lens.json", resolution=SIZE)
    assert lens.matrix[0, 0] == pytest.approx(FOCAL_PX, rel=0.005)
    assert lens.matrix[:2, 2] == pytest.approx([485.0, 265.0], abs=3.0)
    assert 0.0 < lens.sigma_px < 1.0
    assert main(["view", "lens", str(rig), "--photos", str(rig / "photos")]) == 3
    assert "Give --replace" in capsys.readouterr().err
    text = (rig / "rig.toml").read_text()
    (rig / "rig.toml").write_text(text.replace("focal_px =", 'lens = "view_lens.json"\nfocal_px ='))
    assert open_rig(rig, without_projector=True).view_lens is not None
    (rig / "view_lens.json").rename(rig / "gone.json")
    assert main(["view", "lens", str(rig), "--photos", str(rig / "none")]) == 3
    assert "found no such folder" in capsys.readouterr().err, "the lens that rig.toml names may be about to be made"


def test_photographs_of_another_size_and_no_folder(rig, tmp_path, capsys):
    assert main(["view", "lens", str(rig), "--photos", str(tmp_path / "none"), "--replace"]) == 3
    assert "found no such folder" in capsys.readouterr().err
    cv2.imwrite(str(tmp_path / "small.png"), np.zeros((100, 100), np.uint8))
    assert main(["view", "lens", str(rig), "--photos", str(tmp_path), "--replace"]) == 3
    assert "100 x 100 pixels, rig.toml says view.resolution is 960 x 540" in capsys.readouterr().err
