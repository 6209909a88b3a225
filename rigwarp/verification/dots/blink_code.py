"""Words that tell dots apart by when they blink.

Every word has the same number of ones, so a dot's own brightness decides which of its frames were bright, and two dots
on one spot (the union of two words) never look like a third. Two words differ in at least four frames: one wrong frame
is never mistaken for another dot.
"""

from math import comb

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError

_SHORTEST, _LONGEST = 6, 20


def blink_words(count: int) -> NDArray[np.uint8]:
    """The shortest code of at least `count` words.

    Parameters
    ----------
    count : how many dots are to be told apart.

    Returns
    -------
    (count, n) uint8
        0 or 1 per frame; every row has n // 2 ones.

    Raises
    ------
    InputError
        No code is long enough for so many.

    Notes
    -----
    Words of weight w whose positions of ones sum to the same value mod n differ in at least four places: Graham and
    Sloane, Lower bounds for constant weight codes, IEEE Trans. Inf. Theory 26 (1980), theorem 1.
    """
    for length in range(_SHORTEST, _LONGEST + 1):
        if comb(length, length // 2) < count:
            continue
        words = _largest_class(length)
        if len(words) >= count:
            return words[:count]
    raise InputError(f"{count} dots are more than the blinking code can tell apart; choose a wider spacing")


def word_numbers(words: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Words read as binary numbers, first frame lowest; (..., n) -> (...,)."""
    return words.astype(np.int64) @ (np.int64(1) << np.arange(words.shape[-1], dtype=np.int64))


def _largest_class(length: int) -> NDArray[np.uint8]:
    numbers = np.arange(1 << length, dtype=np.int64)
    bits = (numbers[:, None] >> np.arange(length)) & 1
    bits = bits[bits.sum(axis=1) == length // 2]
    residue = (bits @ np.arange(length)) % length
    return bits[residue == np.bincount(residue).argmax()].astype(np.uint8)
