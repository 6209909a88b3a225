"""The slow, plain float64 renderer that the fast ones are judged by."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.live.dither import thresholds
from rigwarp.live.picture import Picture, checked
from rigwarp.live.sampling import tap_counts, tap_positions
from rigwarp.live.warp import Warp, as_warp
from rigwarp.prewarp import Prewarp
from rigwarp.rig.transfer import encode_transfer


class ReferenceRenderer:
    """NumPy in float64, nothing clever: for tests and benchmarks."""

    def __init__(self, prewarp: Prewarp | Warp, *, dither: bool = False) -> None:
        self._warp = as_warp(prewarp)
        self._dither = dither

    def render(self, picture: Picture) -> Picture:
        """See `Renderer`."""
        picture = checked(picture)
        samples = self._warp.samples((picture.shape[1], picture.shape[0]))
        light = self._warp.light()[picture]
        out = np.zeros((*samples.gain_root.shape, 3))
        for taps in tap_counts(samples):
            where = np.nonzero((samples.taps == taps).all(axis=-1) & (samples.gain_root > 0))
            total = sum(bilinear(light, position) for position in tap_positions(samples, where, taps))
            out[where] = total / float(taps[0] * taps[1]) * samples.gain[where][:, None]
        codes = encode_transfer(out, samples.transfer) * 255.0
        rounding = thresholds(codes.shape[:2])[..., None] if self._dither else 0.5
        return np.minimum(np.floor(codes + rounding), 255.0).astype(np.uint8)

    def use(self, warp: Warp) -> None:
        """Draw with another warp from now on."""
        self._warp = warp

    def close(self) -> None:
        """Nothing to free."""


def bilinear(light: Array, position_px: NDArray[np.float32]) -> Array:
    """Bilinear samples of (h, w, 3) at (N, 2) pixels, black outside; (N, 3)."""
    position = position_px.astype(np.float64)
    corner = np.floor(position).astype(int)
    fraction = position - corner
    out = np.zeros((len(position), light.shape[2]))
    for du, weight_u in ((0, 1 - fraction[:, 0]), (1, fraction[:, 0])):
        for dv, weight_v in ((0, 1 - fraction[:, 1]), (1, fraction[:, 1])):
            u, v = corner[:, 0] + du, corner[:, 1] + dv
            inside = (u >= 0) & (u < light.shape[1]) & (v >= 0) & (v < light.shape[0])
            out[inside] += (weight_u * weight_v)[inside, None] * light[v[inside], u[inside]]
    return out
