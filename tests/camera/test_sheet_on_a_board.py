"""A sheet glued to a 3 mm board: the map is right when rig.toml says so, and off by closed form when it does not.

A camera that takes the print to lie h too low stands h too low itself. A line of sight that meets the table at x then
seems to meet it where it crosses the plane z = h: h (c - x) / (z - h) away, for a camera at c, z over the table.
"""

from dataclasses import replace

import numpy as np
import pytest
from map_truth import read_truth, true_map
from small_rig import make_small_rig
from whole_chain import scanned

from rigwarp.camera import PLAIN_PRINT
from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.cli import main
from rigwarp.files import open_rig, read_camera, write_picture
from rigwarp.jobs.design import design_model
from rigwarp.rig import inside_content
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.simulation import VirtualRig
from rigwarp.table_map import fit_table_map, rig_tolerances, samples_from_scan

BOARD_MM = 3.0
MAP_MM = 0.05  # rms: half of what the small rig's camera pixels are to a map that knows its sheet


def _edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    """A rig folder whose sheet is really glued to a 3 mm board, with photographs, and one scan of it."""
    root = make_small_rig(tmp_path_factory.mktemp("board") / "rig")
    _edit(root / "virtual.toml", "thickness_mm = 0.1", f"thickness_mm = {BOARD_MM}")
    folder = open_rig(root)
    virtual = VirtualRig(folder.rig, read_truth(folder), meshes=folder.meshes, profiles=folder.profiles)
    (root / "lens").mkdir()
    for number, photo in enumerate(virtual.board_photos()):
        write_picture(root / "lens" / f"{number:02}.png", photo)
    write_picture(root / "sheet.png", virtual.table_sheet_photo())
    return root, scanned(folder, virtual), true_map(folder).mean, virtual.true_camera()


@pytest.fixture(scope="module")
def maps(rig):
    """Error (N, 2) mm of the map, where (N, 2) it is, and the camera; by the thickness in rig.toml, None: as usual."""
    root, decoded, truth, _ = rig
    found = {}
    for stated_mm in (None, BOARD_MM):
        if stated_mm is not None:
            _edit(root / "rig.toml", "thickness_mm = 0.1 ", f"thickness_mm = {stated_mm} ")
        photos = ["--lens", str(root / "lens"), "--table", str(root / "sheet.png"), "--replace"]
        assert main(["camera", str(root), *photos]) == 0
        folder, camera = open_rig(root), read_camera(root / "camera.json")
        samples = samples_from_scan(decoded, camera, folder.rig.table)
        fitted = fit_table_map(design_model(folder), samples, camera, rig_tolerances(folder.rig)).table_map
        there = fitted.measured & truth.measured & inside_content(folder.rig.content, truth.table_mm)
        found[stated_mm] = ((fitted.table_mm - truth.table_mm)[there], truth.table_mm[there], camera)
    return found


def test_the_map_is_right_when_rig_toml_tells_the_board(maps):
    error_mm, _, _ = maps[BOARD_MM]
    assert np.sqrt(np.mean(np.sum(error_mm**2, axis=-1))) < MAP_MM


def test_it_is_off_by_the_slant_of_sight_when_it_does_not(maps, rig):
    error_mm, where_mm, _ = maps[None]
    missed_mm = BOARD_MM - 0.1
    eye_mm = -np.transpose(rig[3]["R_camera_from_table"]) @ rig[3]["t_camera_from_table_mm"]
    expected_mm = missed_mm * (eye_mm[:2] - where_mm) / (eye_mm[2] - missed_mm)
    assert np.sqrt(np.mean(np.sum(expected_mm**2, axis=-1))) > 10 * MAP_MM
    assert np.sqrt(np.mean(np.sum((error_mm - expected_mm) ** 2, axis=-1))) < MAP_MM


def test_a_long_ruler_tells_a_prints_scale_better():
    """A steel rule is read to 0.1 mm, whatever its length: 0.025 % along 400 mm, 0.05 % along 200 mm."""
    sigma = sheet_sigma_of(replace(STANDARD_TARGET, ruler_mm=(400.0, 200.0)))
    np.testing.assert_allclose(np.diag(sigma.printed)[:2], [0.1 / 400.0, 0.1 / 200.0])
    assert sigma.mean_scale == pytest.approx(np.hypot(0.1 / 400.0, 0.1 / 200.0) / 2.0), "of the mean of both"


def test_a_boards_thickness_is_known_less_well_than_papers(maps):
    """2 % of 3 mm are 0.06 mm, of which the camera's height over the table is told; all else of the two is alike."""
    assert sheet_sigma_of(STANDARD_TARGET) == PLAIN_PRINT
    assert sheet_sigma_of(STANDARD_TARGET, BOARD_MM).height_mm == pytest.approx(0.06)
    paper, board = (maps[thickness][2] for thickness in (None, BOARD_MM))
    up_mm2 = [
        camera.R_camera_from_table[:, 2] @ camera.covariance[-3:, -3:] @ camera.R_camera_from_table[:, 2]
        for camera in (paper, board)
    ]
    assert up_mm2[1] - up_mm2[0] == pytest.approx(0.06**2 - PLAIN_PRINT.height_mm**2, rel=0.05)
