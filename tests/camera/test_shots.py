"""Choosing shots of a hand-held board: views by OpenCV's projection, the clock told."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import board_corners_mm
from rigwarp.camera.boards.shots import HOLD_S, BoardShots, sketch_pose
from rigwarp.geometry import rotation_from_vector

STEP_S = 0.5


@pytest.fixture(scope="module")
def held(target, seen_by_opencv, view_of):
    """A function: the view of a board turned by a rotation vector (deg, camera axes), its middle at a place (mm)."""
    board = board_corners_mm(target)

    def view(turn_deg=(0.0, 0.0, 0.0), middle=(0.0, 0.0, 600.0)):
        R = rotation_from_vector(np.radians(turn_deg))
        t = np.array(middle) - R @ board.mean(axis=0)
        return view_of(board, seen_by_opencv(board, R, t))

    return view


def looks(shots, views, *, start_s=0.0, blur_px=1.0):
    """States for views that come every half second."""
    return [shots.look(view, blur_px, start_s + STEP_S * i).state for i, view in enumerate(views)]


def test_a_board_held_still_is_taken_after_the_count_down(held):
    shots = BoardShots(54)
    first = held()
    states = looks(shots, [first] * 6)
    # nothing to compare the first look with; then 1.5 s of count-down; then the same pose again
    assert states == ["moving", "counting", "counting", "counting", "kept", "done"]
    assert len(shots.views) == 1


def test_the_count_down_counts_down(held):
    shots = BoardShots(54)
    shots.look(held(), 1.0, 0.0)
    left = [shots.look(held(), 1.0, 0.1 + t).left_s for t in (0.0, 0.4, 1.4)]
    assert left == pytest.approx([HOLD_S, HOLD_S - 0.4, HOLD_S - 1.4])


def test_moving_starts_it_again(held):
    """1 % of the picture's width is ten times what counts as still."""
    shots = BoardShots(54)
    still, moved = held(), held(middle=(7.4, 0.0, 600.0))  # 13 px of 1280
    assert looks(shots, [still, still, still, moved, moved, moved, moved, moved])[-5:] == [
        "moving",
        "counting",
        "counting",
        "counting",
        "kept",
    ]


def test_a_slow_creep_is_no_stillness(held):
    """0.2 % from look to look passes for still; the count-down compares with where it began."""
    shots = BoardShots(54)
    views = [held(middle=(1.4 * i, 0.0, 600.0)) for i in range(20)]
    assert "kept" not in looks(shots, views)


def test_what_is_not_taken(held, view_of, target):
    shots = BoardShots(54)
    nothing = view_of(board_corners_mm(target), np.full((54, 2), -50.0))
    assert shots.look(nothing, 1.0, 0.0).state == "no board"
    assert shots.look(replace(nothing, mirrored=True), 1.0, 0.5).state == "mirrored"
    assert looks(shots, [held()] * 5, blur_px=2.4)[-1] == "blurred"
    assert looks(shots, [held()] * 5, blur_px=float("nan"))[-1] == "blurred"
    assert shots.views == []


def test_only_new_poses(held):
    shots = BoardShots(54)
    poses = [
        ((0, 0, 0), (0, 0, 600)),
        ((0, 25, 0), (0, 0, 600)),  # tilted
        ((0, 0, 0), (120, 0, 600)),  # elsewhere
        ((0, 0, 0), (0, 0, 420)),  # nearer
    ]
    for number, pose in enumerate(poses):
        assert looks(shots, [held(*pose)] * 5, start_s=10.0 * number)[-1] == "kept"
    again = looks(shots, [held((3, 0, 0), (8, 0, 600))] * 5, start_s=100.0)  # nearly the first one
    assert again[-1] == "known"
    assert len(shots.views) == 4


@pytest.mark.parametrize(
    ("turn_deg", "side"),
    [((0, 25, 0), "right"), ((0, -25, 0), "left"), ((25, 0, 0), "top"), ((-25, 0, 0), "bottom"), ((3, 2, 40), None)],
)
def test_which_side_is_nearer(held, turn_deg, side):
    """Depths of the board's own corners: a positive turn about y (down) brings the right side nearer, and so on."""
    assert sketch_pose(held(turn_deg)).leans() == side


def test_what_is_wanted_ends(held):
    shots = BoardShots(54)
    assert "12 more shots" in shots.wants()[0]
    tilts = [(0, 25, 0), (0, -25, 0), (25, 0, 0), (-25, 0, 0)]
    places = [(-190, -80, 560), (190, 80, 560), (190, -80, 560), (-190, 80, 560), (0, 0, 400)]
    start_s = 0.0
    for place in places:
        for tilt in tilts:
            looks(shots, [held(tilt, place)] * 6, start_s=start_s)
            start_s += 10.0
    assert min(shots.leaning().values()) >= 4
    assert shots.empty_cells().mean() < 0.2
    assert shots.wants() == ()


def test_cells_are_rows_from_the_top(held):
    shots = BoardShots(54)
    looks(shots, [held(middle=(0, 110, 900))] * 6)
    cells = shots.cells()
    assert cells.shape == (6, 8)
    assert cells[:3].sum() == 0  # below the middle of the picture only: y points down
    assert cells.sum() == 54
