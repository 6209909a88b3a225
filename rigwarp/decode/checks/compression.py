"""What a camera's video compression does to photographs: blocks that show, and pictures that need time to become sharp.

JPEG and H.264 round what they transform, block by block: steps between blocks stay where the noise within them is gone.
H.264 sends changes, and refines them from picture to picture: right after a change a picture is another than later.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array, BoolArray, Photo

_BLOCK = 8
_STEP_CODES = 6.0 / 255.0  # share of full scale: larger ones are edges of what is photographed
_FEWEST = 2000
_MOST = 100.0


@dataclass(frozen=True, kw_only=True)
class Compression:
    """What was found.

    Attributes
    ----------
    blocks : steps between neighbouring pixels across the edges of blocks, as a multiple of those within, 100 at most;
        1: no blocks.
    unsettled : rms difference of the first photograph of a picture from later ones, beyond noise, as a share of the
        light between black and white.
    """

    blocks: float
    unsettled: float


def measure_compression(first: Photo, rest: Sequence[Photo], white: Photo, lit: BoolArray) -> Compression:
    """Judge photographs of stripes, the first right after they appeared and at least two at rest; and one of white.

    Parameters
    ----------
    lit : (H, W) where the projector's light falls.
    """
    full_scale = float(np.iinfo(white.dtype).max)
    range_of = float(np.median(white[lit])) if lit.any() else full_scale
    later, last = (photo.astype(np.float64) for photo in rest[-2:])
    noise = float(np.mean((later - last)[lit] ** 2)) if lit.any() else 0.0
    change = float(np.mean((first.astype(np.float64) - last)[lit] ** 2)) if lit.any() else 0.0
    return Compression(
        blocks=_blocks(white.astype(np.float64) / full_scale, lit),
        unsettled=float(np.sqrt(max(0.0, change - noise))) / max(range_of, 1.0),
    )


def _blocks(photo: Array, lit: BoolArray) -> float:
    """The larger of both directions; 1 where too little is lit to tell."""
    return max(_blocks_along(photo, lit), _blocks_along(photo.T, lit.T))


def _blocks_along(photo: Array, lit: BoolArray) -> float:
    steps = np.minimum(np.abs(np.diff(photo, axis=1)), _STEP_CODES)
    both = lit[:, 1:] & lit[:, :-1]
    edge = np.arange(steps.shape[1]) % _BLOCK == _BLOCK - 1
    at_edges, within = steps[:, edge][both[:, edge]], steps[:, ~edge][both[:, ~edge]]
    if at_edges.size < _FEWEST or within.size < _FEWEST or at_edges.mean() == within.mean() == 0.0:
        return 1.0
    return float(min(_MOST, at_edges.mean() / max(within.mean(), 1e-12)))
