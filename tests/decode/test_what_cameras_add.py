"""What a camera adds to its pictures: blocks and delays of its compression, and writing."""

import cv2
import numpy as np
import pytest

from rigwarp.decode.checks.compression import measure_compression
from rigwarp.decode.checks.overlay import find_overlay

SIZE = (480, 270)


def photo(seed, noise=1.5, phase=0.0):
    v, u = np.mgrid[: SIZE[1], : SIZE[0]]
    light = 120 + 50 * np.cos(u / 12 + phase) * np.cos(v / 90)
    return np.clip(np.rint(light + np.random.default_rng(seed).normal(0, noise, u.shape)), 0, 255).astype(np.uint8)


def white(seed):
    v, u = np.mgrid[: SIZE[1], : SIZE[0]]
    light = 170 + 40 * np.cos(u / 150) * np.cos(v / 130)
    return np.clip(np.rint(light + np.random.default_rng(seed).normal(0, 1.5, u.shape)), 0, 255).astype(np.uint8)


def jpeg(picture, quality):
    return cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)


LIT = np.ones(SIZE[::-1], bool)


def blocks_of(shown):
    return measure_compression(photo(1), [photo(2), photo(3)], shown, LIT).blocks


def test_blocks_grow_with_compression_and_are_not_seen_without():
    assert blocks_of(white(4)) == pytest.approx(1.0, abs=0.03)
    assert blocks_of(jpeg(white(4), 98)) < 1.2
    found = [blocks_of(jpeg(white(4), quality)) for quality in (95, 90, 80, 60)]
    assert found == sorted(found)
    assert found[1] > 1.6
    assert blocks_of(jpeg(white(4), 5)) > 10  # nothing is left within blocks
    assert blocks_of(np.full(SIZE[::-1], 200, np.uint8)) == 1.0  # a camera without noise is none of JPEG's


def test_pictures_that_need_time_are_told_from_noise():
    rest = [photo(seed) for seed in (1, 2, 3)]
    assert measure_compression(photo(4), rest, white(5), LIT).unsettled < 0.002
    mixed = np.rint(0.9 * photo(4) + 0.1 * white(6)).astype(np.uint8)  # a tenth of the picture before is left
    wanted = np.sqrt(np.mean((0.1 * (white(6).astype(float) - photo(4))) ** 2)) / np.median(white(5))
    found = measure_compression(mixed, rest, white(5), LIT).unsettled
    assert found == pytest.approx(wanted, rel=0.1)
    assert found > 0.01


@pytest.mark.parametrize(
    ("at", "place"), [((10, 20), "top left"), ((360, 20), "top right"), ((190, 260), "bottom middle")]
)
def test_the_time_in_the_picture_is_found_where_it_is(at, place):
    photos = [photo(seed) for seed in range(3)]
    for second, picture in enumerate(photos):
        cv2.putText(picture, f"12:00:0{second}", at, cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 1)
    found = find_overlay(photos)
    assert found.place == place
    assert found.size_px[0] < 20  # the last digit alone changes
    assert at[0] < found.corner_px[0] < at[0] + 100


def test_what_moves_in_the_middle_or_everywhere_is_no_writing():
    still = [photo(seed) for seed in range(3)]
    assert find_overlay(still) is None
    assert find_overlay([photo(seed, phase=seed) for seed in range(3)]) is None  # stripes that move
    hand = [picture.copy() for picture in still]
    hand[1][100:160, 200:260] = 0
    assert find_overlay(hand) is None
