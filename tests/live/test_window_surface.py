"""Frames put into the window's memory."""

import numpy as np
import pygame
import pytest

from rigwarp.live.run.window import put

FRAME = np.random.default_rng(4).integers(0, 256, (5, 7, 3), dtype=np.uint8)


@pytest.mark.parametrize(
    ("bits", "masks"),
    [
        (32, (0xFF0000, 0xFF00, 0xFF, 0)),
        (32, (0xFF, 0xFF00, 0xFF0000, 0)),
        (24, (0xFF0000, 0xFF00, 0xFF, 0)),  # rows of 21 bytes, padded
    ],
)
def test_every_kind_of_screen_gets_the_same_colours(bits, masks):
    surface = pygame.Surface((7, 5), 0, bits, masks)
    put(FRAME, surface)
    np.testing.assert_array_equal(pygame.surfarray.array3d(surface).swapaxes(0, 1), FRAME)
    put(FRAME[:, ::-1], surface)  # not contiguous
    np.testing.assert_array_equal(pygame.surfarray.array3d(surface).swapaxes(0, 1), FRAME[:, ::-1])
    assert not surface.get_locked()
