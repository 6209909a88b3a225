"""Keys and pointer: what they change, by how much, and back again."""

import pytest

from rigwarp.files import read_adjustment, write_adjustment
from rigwarp.live.operate.operator import Input, Operator
from rigwarp.prewarp import UNCHANGED


def pressed(operator, *keys, **held):
    for key in keys:
        assert operator.key(key, **held)


def test_arrows_do_what_the_tool_says():
    operator = Operator()
    pressed(operator, "1", "right", "up", "up")
    pressed(operator, "left", shift=True)
    pressed(operator, "down", ctrl=True)
    assert operator.adjustment.shift_mm == pytest.approx((-9.0, 1.9))
    pressed(operator, "2", "left", "left", "right")
    assert operator.adjustment.turn_deg == pytest.approx(0.1)
    pressed(operator, "3", "up")
    assert operator.adjustment.scale == pytest.approx(1.001)
    pressed(operator, "up", shift=True)
    assert operator.adjustment.scale == pytest.approx(1.011)
    pressed(operator, "4", "down")
    assert operator.adjustment.brightness == pytest.approx(0.98)
    pressed(operator, "4", "up", "up")
    assert operator.adjustment.brightness == 1.0  # never above full light
    pressed(operator, "5", "down", "up")
    assert operator.adjustment.black_level == pytest.approx(0.002)
    pressed(operator, "8", "down", "down", "right")
    assert (operator.adjustment.flatten_limit, operator.adjustment.flatten_falloff) == pytest.approx((0.25, 0.05))
    assert "25 %" in operator.words()
    assert not operator.key("f12")


def test_turning_round_and_round_stays_an_angle_that_the_file_takes(tmp_path):
    """370 degrees are 10; adjust.json takes no more than 360."""
    operator = Operator()
    pressed(operator, "2")
    for direction, turn_deg in (("left", 10.0), ("right", -10.0)):
        operator.reset()
        pressed(operator, *[direction] * 370, shift=True)
        assert operator.adjustment.turn_deg == pytest.approx(turn_deg)
        write_adjustment(tmp_path / "adjust.json", operator.adjustment, revision=1)
        assert read_adjustment(tmp_path / "adjust.json")[0] == operator.adjustment


def test_undo_redo_and_reset():
    operator = Operator()
    pressed(operator, "1", "right", "right", "u")
    assert operator.adjustment.shift_mm == (1.0, 0.0)
    pressed(operator, "u", shift=True)
    assert operator.adjustment.shift_mm == (2.0, 0.0)
    pressed(operator, "backspace")
    assert operator.adjustment == UNCHANGED
    pressed(operator, "u")
    assert operator.adjustment.shift_mm == (2.0, 0.0)
    pressed(operator, "u", "u", "u", "u")  # more than there is
    assert operator.adjustment == UNCHANGED


def test_dragging_a_spot_is_one_step():
    operator = Operator()
    pressed(operator, "6")
    operator.pointer(Input(kind="wheel", turn=2), None)
    operator.pointer(Input(kind="press"), (10.0, 10.0))
    for x in (11.0, 13.0, 16.0):
        operator.pointer(Input(kind="move"), (x, 12.0))
    operator.pointer(Input(kind="move"), None)  # off the light: the last place counts
    operator.pointer(Input(kind="release"), None)
    (drag,) = operator.adjustment.drags
    assert (drag.at_mm, drag.by_mm, drag.reach_mm) == ((10.0, 10.0), (6.0, 2.0), 70.0)
    operator.pointer(Input(kind="press"), (0.0, 0.0))
    operator.pointer(Input(kind="release"), (0.0, 0.0))  # a click is no drag
    assert len(operator.adjustment.drags) == 1
    pressed(operator, "u")
    assert operator.adjustment == UNCHANGED


def test_masks():
    operator = Operator()
    pressed(operator, "7")
    for corner in ((0.0, 0.0), (9.0, 0.0), (99.0, 99.0)):
        operator.pointer(Input(kind="press"), corner)
    pressed(operator, "delete")  # the last corner was a slip
    operator.pointer(Input(kind="press"), (0.0, 9.0))
    pressed(operator, "return")
    assert operator.adjustment.masks == (((0.0, 0.0), (9.0, 0.0), (0.0, 9.0)),)
    pressed(operator, "return")  # nothing begun: nothing happens
    assert len(operator.adjustment.masks) == 1
    pressed(operator, "delete")
    assert operator.adjustment.masks == ()
    assert "mask" in operator.words()
