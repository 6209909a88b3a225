"""What the fit works on: the samples of one scan or several, and where they meet the mirror."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, Rows


@dataclass(frozen=True, kw_only=True)
class LitPixels:
    """Pixels (N, 2), the zones (N,) that reflect them, and the height (N,) of what they light: None for the table."""

    pixels_px: Array
    zone: NDArray[np.int64]
    height_mm: Array | None


@dataclass(frozen=True, kw_only=True)
class Data(LitPixels, Rows):
    """N samples as the fit needs them.

    `camera` (N, 2, c) are derivatives by whitened camera errors; `information_weight` (N,) is the share of its own
    information that a sample adds to that of its neighbours, with which it shares part of its error; `height_mm` (N,)
    is how high the lit surface stood; `scan` (N,) numbers the scans. `ripple_mm` (N, 2) is a
    regular ripple that has been taken off `table_mm`: the fit need not explain it.
    """

    table_mm: Array
    sigma_mm: Array
    camera: Array
    information_weight: Array
    height_mm: Array
    scan: NDArray[np.int64]
    ripple_mm: Array


def join_data(table: Data, raised: Sequence[Data]) -> Data:
    """Scans of one rig together: the camera errors of the one on the table are those of all; what others have more of
    them is their own."""
    parts = [table, *raised]
    common = table.camera.shape[-1]
    own = [part.camera.shape[-1] - common for part in parts]
    camera = [
        np.pad(part.camera, ((0, 0), (0, 0), (0, sum(own) - own[i]))) if sum(own) else part.camera
        for i, part in enumerate(parts)
    ]
    for i, block in enumerate(camera):
        block[..., common:] = np.roll(block[..., common:], sum(own[:i]), axis=-1)
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in Data.__dataclass_fields__
        if name not in ("camera", "scan")
    }
    scan = np.repeat(np.arange(len(parts)), [len(part.zone) for part in parts])
    return Data(**joined, camera=np.concatenate(camera), scan=scan)


@dataclass(frozen=True, kw_only=True)
class Spots(Rows):
    """Where N samples meet the mirror: surface frames (N, 2), mirror frame and normal (N, 3)."""

    local_mm: Array
    mirror_mm: Array
    normal: Array
