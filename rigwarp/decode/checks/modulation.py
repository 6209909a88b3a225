"""How strongly the stripes of each period show, in cells of the camera's picture.

Blur of any kind takes modulation away, the more the shorter the stripes are, and only from stripes that run across the
direction in which light is spread. What the two directions of stripes lose at one place, compared, tells blur that has
a direction of its own: a ripple finer than the beam is wide, an astigmatic beam, the camera's pixels seen aslant.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import phase_of_steps
from rigwarp.decode.signal.signal_model import SignalModel
from rigwarp.geometry import Array, BoolArray

CELL_PX, CELL_STEPS = 24, 6
"""Side of a cell, camera pixels at least and pixels looked at: about a stripe, over which errors that go with the phase
average out, and noise to some tenths of a per cent."""
_MOST_PIXELS = 60_000  # that are looked at: a tenth of what decoding costs
_FINEST_STEP = 3  # camera pixels: nearer ones share their blur
_FEWEST_SHARE = 0.5  # of a cell's pixels decode, or it is at a rim


@dataclass(frozen=True, kw_only=True)
class Modulation:
    """Amplitude over mean of the stripes at n cells.

    Attributes
    ----------
    camera_px, pixels_px : (n, 2) the cell's middle in the camera's picture, and the projector position seen there.
    periods_u_px, periods_v_px : (K,) of the stripes that run along v (and tell u), and along u.
    u, v : (n, K) amplitude of the stripes' light over its mean, black taken off; 1 is full.
    """

    camera_px: Array
    pixels_px: Array
    periods_u_px: Array
    periods_v_px: Array
    u: Array
    v: Array

    def only(self, which: BoolArray) -> "Modulation":
        """The cells that a mask picks."""
        return Modulation(
            camera_px=self.camera_px[which],
            pixels_px=self.pixels_px[which],
            periods_u_px=self.periods_u_px,
            periods_v_px=self.periods_v_px,
            u=self.u[which],
            v=self.v[which],
        )


def measure_modulation(
    photos: Sequence[NDArray[np.unsignedinteger]],
    layouts: tuple[AxisLayout, AxisLayout],
    chain: SignalModel,
    *,
    black: int,
    u_px: NDArray[np.floating],
    v_px: NDArray[np.floating],
) -> Modulation:
    """Read the modulation of all stripes off the photographs of a scan.

    Parameters
    ----------
    photos : (H, W) each, one per frame.
    layouts : of both axes.
    chain : what was learnt of this scan.
    black : index of the black frame.
    u_px, v_px : (H, W) decoded positions, NaN where there is none.

    Returns
    -------
    Modulation
        Cells of which half or more is decoded.

    Notes
    -----
    Each period is divided by the mean of its own steps, so that neither a lamp that drifts nor the table's colour
    matters. Light that comes from all around (haze, the table seen in the mirror) lowers all periods alike.
    """
    height, width = u_px.shape
    step = max(_FINEST_STEP, int(np.ceil(np.sqrt(height * width / _MOST_PIXELS))))
    side = max(CELL_PX, CELL_STEPS * step)
    thin = (slice(step // 2, None, step), slice(step // 2, None, step))
    lit = np.isfinite(u_px[thin])
    row, column = np.nonzero(lit)
    place = np.stack([step // 2 + step * column, step // 2 + step * row, u_px[thin][lit], v_px[thin][lit]], axis=-1)
    across = -(-width // side)
    cell = (place[:, 1] // side * across + place[:, 0] // side).astype(np.int64)
    number = -(-height // side) * across
    count = np.bincount(cell, minlength=number)
    kept = count >= max(1.0, _FEWEST_SHARE * (side / step) ** 2)

    def mean(values: Array) -> Array:
        """(n,) over each cell that is kept."""
        return np.asarray(np.bincount(cell, values, number)[kept] / count[kept], float)

    dark = chain.light_of_code[photos[black][thin][lit]]
    shown = []
    for axis, learnt in zip(layouts, chain.axes, strict=True):
        waves = [chain.light_of_code[np.stack([photos[i][thin][lit] for i in frames])] for frames in axis.frames]
        phases = [phase_of_steps(wave, np.ones_like(wave)) for wave in waves]
        fade = learnt.error.fade(np.stack([phase.turns for phase in phases]))
        pairs = zip(waves, phases, fade, strict=True)
        shown.append(np.stack([mean(p.amplitude * f) / mean(w.mean(axis=0) - dark) for w, p, f in pairs], axis=-1))
    middle = np.stack([mean(values) for values in place.T], axis=-1)
    return Modulation(
        camera_px=middle[:, :2],
        pixels_px=middle[:, 2:],
        periods_u_px=np.asarray(layouts[0].periods_px, float),
        periods_v_px=np.asarray(layouts[1].periods_px, float),
        u=shown[0],
        v=shown[1],
    )
