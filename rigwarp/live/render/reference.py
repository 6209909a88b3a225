"""The slow, plain float64 renderer that the fast ones are judged by."""

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.live.render.dither import thresholds
from rigwarp.live.render.picture import Picture, checked
from rigwarp.live.render.sampling import SampleMap, cubic_weights, of_kind, sample_kinds, tap_positions
from rigwarp.live.render.warp import Warp, as_warp
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
        samples = self._warp.kept_samples((picture.shape[1], picture.shape[0]))
        codes = exact_codes(samples, self._warp.light()[picture])
        rounding = thresholds(codes.shape[:2])[..., None] if self._dither else 0.5
        return np.minimum(np.floor(codes + rounding), 255.0).astype(np.uint8)

    def use(self, warp: Warp) -> None:
        """Draw with another warp from now on."""
        self._warp = warp

    def close(self) -> None:
        """Nothing to free."""


def exact_codes(samples: SampleMap, light: Array) -> Array:
    """(H, W, 3) codes 0 .. 255 of a picture's light (h, w, 3), not rounded."""
    out = np.zeros((*samples.gain_root.shape, 3))
    for kind in sample_kinds(samples):
        where = np.nonzero(of_kind(samples, kind))
        sample = cubic if kind[2] else bilinear
        total = sum(sample(light, position) for position in tap_positions(samples, where, kind[:2]))
        out[where] = total / float(kind[0] * kind[1]) * samples.gain[where][:, None]
    return encode_transfer(out, samples.transfer) * 255.0


def bilinear(light: Array, position_px: NDArray[np.float32]) -> Array:
    """Bilinear samples of (h, w, 3) at (N, 2) pixels, black outside; (N, 3)."""
    share = position_px.astype(np.float64) % 1.0
    return _weighted(light, position_px, [1.0 - share, share], first=0)


def cubic(light: Array, position_px: NDArray[np.float32]) -> Array:
    """Catmull-Rom samples of (h, w, 3) at (N, 2) pixels, black outside, never negative; (N, 3)."""
    weights = cubic_weights(position_px.astype(np.float64) % 1.0)
    return np.maximum(_weighted(light, position_px, weights, first=-1), 0.0)


def _weighted(light: Array, position_px: NDArray[np.float32], weights: list[Array], *, first: int) -> Array:
    """Sum over the pixels around each place, from `first` before it on, weighted along u and v."""
    corner = np.floor(position_px).astype(int)
    out = np.zeros((len(position_px), light.shape[2]))
    for du, weight_u in enumerate(weights, start=first):
        for dv, weight_v in enumerate(weights, start=first):
            u, v = corner[:, 0] + du, corner[:, 1] + dv
            inside = (u >= 0) & (u < light.shape[1]) & (v >= 0) & (v < light.shape[0])
            weight = (weight_u[:, 0] * weight_v[:, 1])[inside, None]
            out[inside] += weight * light[v[inside], u[inside]]
    return out
