"""What single grey frames want of a camera's place is a jump, or something else that moves edges."""

import numpy as np
import pytest

from rigwarp.decode.photographs import early_jump
from rigwarp.geometry import Array

BRIGHTER = (0.05, 0.19, 0.44, 0.8, 1.3, 1.6, 2.0)  # than half of white's light: the levels of `fast_set` but black


def shifts(along_px: Array) -> list[early_jump._Shift]:
    """Of a frame each, known to a hundredth of a pixel."""
    information = np.eye(2) * 1e4
    return [
        early_jump._Shift(
            information=information,
            pull=information @ np.array([along, 0.5 * along]),
            aside=np.eye(2)[None],
            brighter=b,
        )
        for along, b in zip(along_px, BRIGHTER, strict=True)
    ]


@pytest.mark.parametrize("count", [1, 3, 6, 7])
def test_frames_that_share_a_shift_lie_before_a_jump(count: int) -> None:
    noise = 0.005 * np.random.default_rng(2).standard_normal(len(BRIGHTER))
    found = early_jump._jump(shifts(np.where(np.arange(len(BRIGHTER)) < count, 0.2, 0.0) + noise))
    assert found is not None
    assert found[0] == count
    assert found[1].solved[0] == pytest.approx([0.2, 0.1], abs=0.01)


def test_a_shift_that_goes_with_brightness_is_no_jump() -> None:
    """As measured on a rig whose camera's exposure followed the picture: its response was taken for another."""
    wanted = np.array([0.079, 0.062, 0.036, 0.018, 0.002, -0.007, -0.010])
    assert early_jump._jump(shifts(wanted)) is None
