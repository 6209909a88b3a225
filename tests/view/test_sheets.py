"""Boards in mirrors: which way round they are, wing by wing, and which are not trusted."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from two_wings import make_rig, sheet_light, small_wings

from rigwarp.camera import charuco_board
from rigwarp.camera.boards.detection import detect_board_either_way
from rigwarp.errors import InputError
from rigwarp.files import open_rig
from rigwarp.jobs.view.trace import parts_of
from rigwarp.view.printed.found import find_sheets


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return open_rig(make_rig(tmp_path_factory.mktemp("sheets") / "rig", scale=2), without_projector=True)


@pytest.fixture(scope="module")
def drawn(folder):
    """The board as OpenCV draws it, with paper around."""
    board = charuco_board(folder.rig.view.target)
    return cv2.copyMakeBorder(board.generateImage((500, 350)), 30, 30, 30, 30, cv2.BORDER_CONSTANT, value=255)


@pytest.mark.parametrize("mirrored", [False, True])
def test_corners_have_pixels_of_the_photo_as_it_is(folder, drawn, mirrored):
    """OpenCV finds all 54 corners of a plain board and none of a mirrored one: flipped, at u' = W - 1 - u."""
    target = folder.rig.view.target
    photo = np.ascontiguousarray(drawn[:, ::-1]) if mirrored else drawn
    either = detect_board_either_way(photo, target, rather_flipped=not mirrored)
    assert (either.flipped, either.view.n) == (mirrored, 54)
    assert either.corners == ((0, 54) if mirrored else (54, 0))
    plain = detect_board_either_way(drawn, target, rather_flipped=False).view
    u = drawn.shape[1] - 1 - plain.image_px[:, 0] if mirrored else plain.image_px[:, 0]
    assert either.view.image_px == pytest.approx(np.column_stack([u, plain.image_px[:, 1]]), abs=0.02)


def test_each_wing_finds_its_own_image_to_a_tenth_of_a_pixel(folder):
    """The same sheet twice in one photograph, as two flat mirrors show it."""
    target, wings, design = folder.rig.view.target, small_wings(2), small_wings(2).view_map()
    laid = replace(target, centre_mm=np.array([10.0, -20.0]), rotation_rad=0.3)
    found = find_sheets(wings.photograph(sheet_light(laid)), target, parts_of(folder), design, number=4)
    assert not found.refused
    assert sorted(one.zone for one in found.corners) == [0, 1]
    c, s = np.cos(0.3), np.sin(0.3)
    for one in found.corners:
        assert (one.photo, one.flipped) == (4, True)
        right, up = one.board_mm[:, 0] - 300.0, 210.0 - one.board_mm[:, 1]
        table = np.column_stack([10.0 + c * right - s * up, -20.0 + s * right + c * up, np.zeros(len(up))])
        off = one.pixels_px - wings.pixel(table, one.zone)
        assert len(off) > 20
        assert np.sqrt(np.mean(off**2)) < 0.1
        assert np.abs(off.mean(axis=0)).max() < 0.05


def test_a_directly_seen_sheet_beside_a_mirrored_one(folder, drawn):
    """One zone sees the table as printed: there the plain board counts, and a mirrored one would be refused."""
    parts = parts_of(folder)
    direct = replace(parts[1], mirror=None, flipped=True)
    design = small_wings(2).view_map()
    photo = np.full((540, 960), 120, np.uint8)
    half = cv2.resize(drawn, (400, 290), interpolation=cv2.INTER_AREA)
    photo[120:410, 520:920] = half[:, ::-1]
    photo[120:410, 40:440] = half
    found = find_sheets(photo, folder.rig.view.target, [parts[0], direct], design, number=0)
    assert {one.zone: one.flipped for one in found.corners} == {0: True, 1: False}
    wrong = find_sheets(photo, folder.rig.view.target, parts, design, number=0)
    assert [one.zone for one in wrong.corners] == [0]
    assert "zone 1 (view.mirror[1]): the board is seen as printed, the design sees it mirrored" in wrong.refused[0]


def test_a_zone_that_shows_the_board_both_ways_is_refused(folder):
    target = replace(folder.rig.view.target, dictionary="DICT_6X6_250")
    photo = np.full((540, 960), 120, np.uint8)
    board = cv2.copyMakeBorder(charuco_board(target).generateImage((320, 224)), 18, 18, 18, 18, 0, value=255)
    photo[4:264, 560:916] = board[:, ::-1]
    photo[274:534, 560:916] = board
    found = find_sheets(photo, target, parts_of(folder), small_wings(2).view_map(), number=0)
    assert not found.corners
    assert "seen both as printed (54 corners) and mirrored (54)" in found.refused[0]


def test_a_photograph_of_another_size_is_refused(folder, drawn):
    with pytest.raises(InputError, match=r"560 x 410 pixels, rig.toml says view.resolution = \[960, 540\]"):
        find_sheets(drawn, folder.rig.view.target, parts_of(folder), small_wings(2).view_map(), number=0)
