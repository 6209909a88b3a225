"""The printed sheet: the same squares and markers as OpenCV's own picture, seen where the geometry says."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rigwarp.geometry import Placement
from rigwarp.simulation.board import PrintedBoard, held_poses, sheet_on_table
from rigwarp.simulation.lens import Lens
from rigwarp.simulation.truth import SheetTruth

PLAIN = SheetTruth(scale_error=(0.0, 0.0), thickness_mm=0.0, paper=0.85, ink=0.05)


DISTORTION = [-0.12, 0.05, 0.001, -0.0005, 0]


def _pinhole(focal=1000.0, width=360, height=252):
    return Lens(
        focal_px=np.array([focal, focal]),
        principal_px=np.array([(width - 1) / 2, (height - 1) / 2]),
        distortion=np.zeros(5),
        thin_prism=np.zeros(4),
        largest_radius=np.inf,
    )


@pytest.mark.parametrize(("squares", "layout"), [((10, 7), None), ((10, 7), "old"), ((9, 6), "new"), ((9, 6), "old")])
def test_ink_is_where_opencv_prints_it(make_rig, squares, layout):
    target = replace(make_rig().target, marker_mm=28.0, squares=squares, layout=layout)
    board = PrintedBoard(target, PLAIN)
    # square on, one pixel per mm: marker cells of 4 mm lie on the pixel grid
    pose = Placement(position_mm=np.array([-180.0, -126.0, 1000.0]), rotation=np.eye(3))
    _, ink = board.coverage(_pinhole(), pose, (360, 252))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    width, height = (36 * n for n in squares)
    printed = cv2.aruco.CharucoBoard(squares, 36, 28, dictionary)
    printed.setLegacyPattern(layout == "old")
    picture = printed.generateImage((width, height), marginSize=0)
    np.testing.assert_allclose(ink[:height, :width], picture < 128, atol=1e-5)


def test_print_scale_stretches_the_sheet(make_rig):
    board = PrintedBoard(
        make_rig(scale=[1.01, 0.99]).target, SheetTruth(scale_error=(0.001, 0.0), thickness_mm=0.0, paper=1, ink=0)
    )
    np.testing.assert_allclose(board.size_mm, [360 * 1.01 * 1.001, 252 * 0.99])


def test_sheet_lies_as_the_convention_says(make_rig):
    rig = make_rig(target_centre=[30, -20], target_rotation=90)
    size = np.array([360.0, 252.0])
    pose = sheet_on_table(rig.target, size, 5.0)
    corner = pose.to_table(np.zeros(3))  # the printed sheet's top-left
    # turned by 90 degrees counter-clockwise: the printed top, towards +y before, lies towards -x; left towards -y
    np.testing.assert_allclose(corner, [30 - 126, -20 - 180, 5.0], atol=1e-12)
    np.testing.assert_allclose(np.linalg.det(pose.rotation), 1.0)
    np.testing.assert_allclose(pose.rotation[:, 2], [0, 0, -1], atol=1e-15)  # printed side up


def _corner_errors_px(photo, board, true_px):
    detector = cv2.aruco.CharucoDetector(board)
    corners, ids, _, _ = detector.detectBoard(photo)
    if ids is None:
        return np.zeros(0)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 40, 1e-4)
    corners = cv2.cornerSubPix(photo, np.asarray(corners, np.float32).reshape(-1, 1, 2), (5, 5), (-1, -1), stop)
    return corners.reshape(-1, 2) - true_px[np.ravel(ids)]


@pytest.fixture(scope="module")
def photographer(make_virtual):
    return make_virtual(
        cw=1280,
        ch=720,
        replace={
            "focal_px = 450\nblur_px = 0": f"focal_px = 1200\ndistortion = {DISTORTION}\nblur_px = 0.6",
            "full_well_e = 1e9": "full_well_e = 2e4",
        },
    )


def _board(virtual):
    target = virtual._rig.target
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, target.dictionary))
    return cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm, dictionary)


def test_opencv_finds_the_sheet_on_the_table_where_it_lies(photographer):
    board = _board(photographer)
    lying = sheet_on_table(photographer._rig.target, photographer._board.size_mm, 0.0)
    x, y, z = lying.to_table(np.asarray(board.getChessboardCorners(), float)).T
    true_px = np.stack(photographer._view.space_to_pixels(x, y, z), axis=1)
    errors = _corner_errors_px(photographer.table_sheet_photo(), board, true_px)
    assert len(errors) == 54
    # known corner noise of the detector with refinement is 0.02 px; a half-pixel slip of the renderer would be 0.5
    assert np.sqrt((errors**2).mean()) < 0.05
    assert np.abs(errors.mean(axis=0)).max() < 0.02


def test_hand_held_boards_are_found_and_reach_the_whole_frame(photographer):
    board = _board(photographer)
    poses = held_poses(photographer._lens, photographer._board.size_mm, (1280, 720), 14, 3)
    found, bias = [], []
    for photo, pose in zip(photographer.board_photos(), poses, strict=True):
        points = pose.to_table(np.asarray(board.getChessboardCorners(), float))
        true_px = np.stack(photographer._lens.project(*points.T), axis=1)
        errors = _corner_errors_px(photo, board, true_px)
        assert len(errors) >= 12
        assert np.sqrt(np.median(np.sum(errors**2, axis=1))) < 0.06  # px; steep boards are harder than the lying one
        bias.append(errors)
        detector = cv2.aruco.CharucoDetector(board)
        found.append(np.reshape(detector.detectBoard(photo)[0], (-1, 2)))
        assert pose.rotation[2, 2] > np.cos(np.deg2rad(41))
    assert np.abs(np.median(np.concatenate(bias), axis=0)).max() < 0.01
    found = np.concatenate(found)
    hist, _, _ = np.histogram2d(found[:, 0], found[:, 1], bins=(4, 3), range=((0, 1280), (0, 720)))
    assert hist.min() >= 5  # every twelfth of the frame, corners included
    assert found.min(axis=0).max() < 70  # px, about one square: a marker has to be whole to be read
    assert (np.array([1280, 720]) - found.max(axis=0)).max() < 70
