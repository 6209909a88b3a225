"""Light that is smeared so far that no pixel has a place of its own: a rippled mirror, or a picture far out of focus.

A ripple finer than the projector's beam does not fold the light visibly but spreads it: the light of one pixel arrives
as a line or a disc many pixels wide. Stripes long enough still decode there, and their phases agree; but a map of
pixels would promise detail that cannot be shown. How far the light is spread shows in how much the stripes have faded.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.folds import CELL, LITTLE_LEFT, Folds, over_pixels
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.position import phase_of_steps
from rigwarp.decode.signal.signal_model import SignalModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray

MOST_SMEAR_PX = 9.0
"""Greatest rms radius of a pixel's light, projector pixels: that of a disc as wide as a stripe of the usual set is long
(25 px)."""
MOST_LINE_PX = 6.0
"""The same for light that is smeared along lines, which no focus explains: lines as long as the shortest stripe (18 px,
of rms radius 6.4 where the light gathers at both ends, as it does behind a sinusoidal ripple)."""
_FEW = 0.02  # of the sampled pixels: not worth a closer look
_MIDDLE = CELL // 2
_ONE_WAY = 0.3
"""|su^2 - sv^2| / (su^2 + sv^2), in the median over what is smeared along lines: 1 where a line runs along u or v, 0
where it runs between them, 0.7 over all directions; near 0 everywhere for a picture out of focus."""
_LEAST_FADE = 1e-3


@dataclass(frozen=True, kw_only=True)
class SmearGauge:
    """Tells how far light is smeared, from photographs of one scan.

    Attributes
    ----------
    layouts : of both axes.
    chain : what was learnt.
    ends : frame indices of black and white.
    swing : share of white between the troughs and crests of the stripes.
    """

    layouts: tuple[AxisLayout, AxisLayout]
    chain: SignalModel
    ends: tuple[int, int]
    swing: float

    def blur_px(self, codes: NDArray[np.unsignedinteger]) -> Array:
        """(N, 2) sigma of the light of one projector pixel along u and v, from (F, N) photographs at N lit pixels.

        A blur of sigma s fades a period P by exp(-2 (pi s / P)^2); the longest period answers, which fades least.
        """
        black, white = (self.chain.light_of_code[codes[end]] for end in self.ends)
        full = np.maximum(0.5 * self.swing * (white - black), 1e-9)
        found = []
        for layout in self.layouts:
            light = self.chain.light_of_code[codes[list(layout.frames[-1])]]
            fade = np.clip(phase_of_steps(light, np.ones_like(light)).amplitude / full, _LEAST_FADE, 1.0)
            found.append(layout.periods_px[-1] / np.pi * np.sqrt(-0.5 * np.log(fade)))
        return np.stack(found, axis=-1)


def find_smear(
    gauge: SmearGauge,
    photos: Sequence[NDArray[np.unsignedinteger]],
    decoded: BoolArray,
    sample: NDArray[np.unsignedinteger],
) -> Folds:
    """Where light is smeared beyond use: looked at closely only if a sample (F, N) of lit pixels shows any of it.

    Raises
    ------
    MeasurementError
        If little of what was decoded (H, W) is left.
    """
    nothing = Folds(verdict=None, text="")
    if np.mean(_radius(gauge.blur_px(sample)) > MOST_LINE_PX) < _FEW:
        return nothing
    spots = (slice(_MIDDLE, None, CELL), slice(_MIDDLE, None, CELL))
    lit = decoded[spots]
    blur = np.zeros((*lit.shape, 2))
    blur[lit] = gauge.blur_px(np.stack([photo[spots][lit] for photo in photos]))
    suspect = _radius(blur) > MOST_LINE_PX
    if np.count_nonzero(suspect) < _FEW * np.count_nonzero(lit):
        return nothing
    lines = bool(np.median(_one_way(blur[suspect])) > _ONE_WAY)
    beyond = _radius(blur) > (MOST_LINE_PX if lines else MOST_SMEAR_PX)
    smeared: BoolArray = np.asarray(cv2.medianBlur(beyond.view(np.uint8), 3)).view(bool) & lit
    share = float(np.count_nonzero(smeared)) / float(np.count_nonzero(lit))
    if share < _FEW:
        return nothing
    text = _text(blur, smeared, share, lines=lines)
    if 1.0 - share < LITTLE_LEFT:
        raise MeasurementError(
            f"only {100 * (1.0 - share):.0f} % of what the camera decodes can be mapped pixel by pixel, "
            f"{100 * LITTLE_LEFT:.0f} % are needed: {text}. Check the mirror's surface for ripples of short period, "
            "and the projector's focus"
        )
    cells = np.zeros([-(-n // CELL) for n in decoded.shape], bool)
    cells[: smeared.shape[0], : smeared.shape[1]] = smeared
    return Folds(verdict=over_pixels(cells, decoded.shape), text=text)


def _radius(blur_px: Array) -> Array:
    """Rms radius of what is blurred by these sigmas (..., 2)."""
    return np.asarray(np.hypot(blur_px[..., 0], blur_px[..., 1]))


def _one_way(blur_px: Array) -> Array:
    square = blur_px**2
    return np.asarray(np.abs(square[..., 0] - square[..., 1]) / square.sum(axis=-1))


def _text(blur_px: Array, smeared: BoolArray, share: float, *, lines: bool) -> str:
    rows, columns = np.nonzero(smeared)
    low, high = (np.quantile((columns, rows), q, axis=1) * CELL for q in (0.05, 0.95))
    why = (
        "along lines, as by a mirror that is rippled more finely than the beam is wide"
        if lines
        else "all around, as by a projector out of focus or a mirror with ripples"
    )
    return (
        f"on {100 * share:.0f} % of the decoded area (mostly camera pixels {low[0]:.0f} to {high[0] + CELL:.0f} "
        f"across, {low[1]:.0f} to {high[1] + CELL:.0f} down) the light of each projector pixel is smeared over a "
        f"radius of {np.median(_radius(blur_px[smeared])):.0f} pixels, {why}"
    )
