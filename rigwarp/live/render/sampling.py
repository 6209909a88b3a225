"""Where each projector pixel looks into a picture, in numbers that float32 and float64 renderers treat alike.

A projector pixel averages n x m bilinear samples spread over its footprint in the picture, n and m from the map's
derivative, so that a minified picture does not flicker or alias; where the picture is magnified, one sample by
Catmull-Rom's cubic keeps it sharper than a bilinear one (A class of local interpolating splines, 1974). All positions
are multiples of 1/256 pixel, and sums of such numbers are exact in float32. So a
GPU, OpenCV and the float64 reference sample the very same points with the very same weights. Without that, a weight of
1e-4 instead of 0 would be worth several code values in the darks of a gamma curve. The gain is kept as a square root
of ten bits for the same reason: 0.2 code values at most, and the renderers cannot disagree.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray
from rigwarp.live.render.picture import MAX_SIDE_PX
from rigwarp.rig import Transfer

Sampling = Literal["fine", "quick"]
Kind = tuple[int, int, bool]
Window = tuple[slice, slice]
GRID = 256.0
"""Positions per pixel."""
GAIN_STEPS = 1023.0
_MAX_TAPS = 16
_SLACK = {"fine": 0.05, "quick": 1.0}
"""Footprints up to this much wider than n pixels still use n taps. Fine: no visible difference, up to a quarter of the
cost. Quick: detail finer than a projector pixel may flicker when it moves, one tap serves up to two pixels."""
_MAGNIFIED = 0.75
"""Footprints narrower than this (pixels, along both axes) get the cubic."""
NOWHERE_PX = -16.0
"""A position that no picture has, where a pixel shows none."""
_ROWS_AT_ONCE = 32
"""Bounds the float64 arrays at work to some 12 MB for a 4K projector."""


@dataclass(frozen=True, kw_only=True)
class SampleMap:
    """Sampling positions of every projector pixel in a picture of one size.

    Attributes
    ----------
    position_px : (H, W, 2) float32
        Middle of the footprint in picture pixels; outside the picture where nothing is drawn.
    step_px : (H, W, 2, 2) float32
        From one tap to the next: step_px[..., :, 0] along the projector's u, [..., :, 1] along its v; 0 for one tap.
    taps : (H, W, 2) uint8 the footprint is averaged over taps[..., 0] (along u) x taps[..., 1] (along v) samples.
    cubic : (H, W) bool True: one cubic sample instead of bilinear taps.
    gain_root : (H, W) uint16
        Square root of the factor on linear light, in 1023rds; 0 = black.
    transfer : the projector's transfer curve.
    picture_size : (width, height) of the picture.
    prepared : what OpenGL's ways of drawing have made of all this, under their names.
    """

    position_px: NDArray[np.float32]
    step_px: NDArray[np.float32]
    taps: NDArray[np.uint8]
    cubic: NDArray[np.bool_]
    gain_root: NDArray[np.uint16]
    transfer: Transfer
    picture_size: tuple[int, int]
    prepared: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def gain(self) -> NDArray[np.float32]:
        """(H, W) factor on linear light, 0 = black."""
        return self.gain_of((slice(None), slice(None)))

    def gain_of(self, window: Window) -> NDArray[np.float32]:
        """The same of a window."""
        root = self.gain_root[window].astype(np.float32) / np.float32(GAIN_STEPS)
        return root * root


@dataclass(frozen=True, kw_only=True)
class Sampler:
    """Makes the samples of any window of the frame, for a picture that fills the content canvas as its aspect allows.

    Attributes
    ----------
    gain : (H, W) float32 factor on linear light; 0 = black.
    canvas_px : gives (h, w, 2) the canvas pixels to show in a window; NaN where none.
    hidden : gives (h, w) which pixels of a window stay black, or None where that is none.
    content_pixels : (width, height) of the canvas.
    transfer : the projector's transfer curve.
    picture_size : (width, height)
        The picture is centred on the canvas, its aspect kept; what it leaves free stays black.
    sampling : "fine" or "quick", how many taps a footprint gets.
    """

    gain: NDArray[np.float32]
    canvas_px: Callable[[Window], Array]
    hidden: Callable[[Window], BoolArray | None]
    content_pixels: tuple[int, int]
    transfer: Transfer
    picture_size: tuple[int, int]
    sampling: Sampling

    def samples(self, window: Window | None = None) -> SampleMap:
        """The samples of a window, or of the whole frame."""
        window = window or (slice(0, self.gain.shape[0]), slice(0, self.gain.shape[1]))
        gain = self.gain[window]
        height, width = gain.shape
        samples = SampleMap(
            position_px=np.full((height, width, 2), NOWHERE_PX, np.float32),
            step_px=np.zeros((height, width, 2, 2), np.float32),
            taps=np.ones((height, width, 2), np.uint8),
            cubic=np.zeros((height, width), bool),
            gain_root=np.zeros((height, width), np.uint16),
            transfer=self.transfer,
            picture_size=self.picture_size,
        )
        scale, offset_px = fit_to_canvas(self.picture_size, self.content_pixels)
        lit_rows, columns = lit_window(gain)
        for start in range(lit_rows.start, lit_rows.stop, _ROWS_AT_ONCE):
            own = slice(start, min(start + _ROWS_AT_ONCE, lit_rows.stop)), columns
            there = within(own, window)
            around = with_neighbours(there)  # derivatives look one row and column further
            picture_px = (self.canvas_px(around) + 0.5 - offset_px) / scale - 0.5
            # d(picture)/d(projector pixel), (H, W, 2, 2), outputs before inputs; zero where no neighbour is known
            footprint = np.stack([_difference(picture_px, axis) for axis in (1, 0)], axis=-1)
            inner = tuple(slice(i.start - o.start, i.stop - o.start) for i, o in zip(there, around, strict=True))
            hidden = self.hidden(there)
            shown = gain[own] if hidden is None else np.where(hidden, np.float32(0.0), gain[own])
            _fill(samples, own, picture_px[inner], footprint[inner], shown, self.sampling)
        return samples


def within(part: Window, whole: Window) -> Window:
    """A window of a window as one of the frame."""
    rows, columns = (slice(w.start + p.start, w.start + p.stop) for p, w in zip(part, whole, strict=True))
    return rows, columns


def with_neighbours(window: Window) -> Window:
    """A window and the pixels beside it; beyond the frame's last ones there are none, and slices may say so."""
    rows, columns = (slice(max(part.start - 1, 0), part.stop + 1) for part in window)
    return rows, columns


def lit_window(gain: NDArray[np.float32]) -> Window:
    """The smallest window of rows and columns that holds all light; empty when there is none."""
    lit = gain > 0
    return span(lit.any(axis=1)) or slice(0, 0), span(lit.any(axis=0)) or slice(0, 0)


def span(used: Any) -> slice | None:
    """From the first True of (N,) to the last; None when there is none."""
    numbers = np.flatnonzero(used)
    return slice(int(numbers[0]), int(numbers[-1]) + 1) if numbers.size else None


def _fill(
    samples: SampleMap,
    window: Window,
    picture_px: Array,
    footprint: Array,
    gain: NDArray[np.float32],
    sampling: Sampling,
) -> None:
    """Write a window of a sample map."""
    widths = np.hypot(footprint[..., 0, :], footprint[..., 1, :])
    taps = np.clip(np.ceil(widths - _SLACK[sampling]), 1, _MAX_TAPS)
    root = np.round(np.sqrt(np.clip(gain, 0.0, 1.0)) * GAIN_STEPS)
    lit = np.isfinite(picture_px).all(axis=-1) & (root > 0)
    # one pixel past the picture is as black as anywhere: positions stay small enough to be packed for the GPU
    near = np.clip(picture_px, NOWHERE_PX + 8, np.array(samples.picture_size) - NOWHERE_PX - 8)
    samples.position_px[window] = _on_grid(np.where(lit[..., None], near, NOWHERE_PX), 1)
    several: BoolArray = np.any(taps > 1, axis=-1)
    if several.any():  # else the memory stays untouched, which is 32 MB at 1080p
        samples.step_px[window] = _on_grid(np.where(several[..., None, None], footprint / taps[..., None, :], 0.0), 2)
    samples.taps[window] = taps
    # further out bilinear gives black, while products of two negative lobes of the cubic would be light
    beside = ((near >= -1.0) & (near <= np.array(samples.picture_size))).all(axis=-1)
    samples.cubic[window] = lit & beside & (widths < _MAGNIFIED).all(axis=-1) & (sampling == "fine")
    samples.gain_root[window] = np.where(lit, root, 0)


def fit_to_canvas(picture_size: tuple[int, int], canvas_size: tuple[int, int]) -> tuple[float, Array]:
    """Canvas pixels per picture pixel, and the (2,) canvas position of the picture's top-left corner, its edge at 0."""
    picture, canvas = np.array(picture_size, float), np.array(canvas_size, float)
    scale = float((canvas / picture).min())
    return scale, (canvas - scale * picture) / 2.0


def tap_positions(
    samples: SampleMap, where: tuple[NDArray[np.intp], ...], taps: tuple[int, int]
) -> list[NDArray[np.float32]]:
    """Positions of the n x m taps of the projector pixels `where` (np.nonzero's form), each (N, 2), exact."""
    position, step = samples.position_px[where], samples.step_px[where]
    along_u, along_v = ((2 * np.arange(n, dtype=np.float32) + 1 - n) / 2 for n in taps)
    return [position + i * step[..., 0] + j * step[..., 1] for j in along_v for i in along_u]


def sample_kinds(samples: SampleMap, window: Window = (slice(None), slice(None))) -> list[Kind]:
    """The different ways of sampling among the lit pixels of a window: (taps along u, taps along v, cubic)."""
    gain_root, taps, cubic = samples.gain_root[window], samples.taps[window], samples.cubic[window]
    found: set[Kind] = set()
    for start in range(0, len(gain_root), _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        lit = gain_root[rows] > 0
        along = taps[rows][lit].astype(np.intp)
        keys = (along[:, 0] << 8 | along[:, 1]) << 1 | cubic[rows][lit]
        found |= {(int(key >> 9), int(key >> 1 & 255), bool(key & 1)) for key in np.nonzero(np.bincount(keys))[0]}
    return sorted(found)


def of_kind(samples: SampleMap, kind: Kind, window: Window = (slice(None), slice(None))) -> BoolArray:
    """Which lit pixels of a window are sampled in that way."""
    lit = samples.gain_root[window] > 0
    found: BoolArray = lit & (samples.taps[window] == kind[:2]).all(axis=-1) & (samples.cubic[window] == kind[2])
    return found


def cubic_weights(share: NDArray[Any]) -> list[NDArray[Any]]:
    """Catmull-Rom weights of the four samples around a place, `share` (0 .. 1) past the second one."""
    square, cube = share * share, share * share * share
    return [
        square - 0.5 * (cube + share),
        1.5 * cube - 2.5 * square + 1.0,
        2.0 * square - 1.5 * cube + 0.5 * share,
        0.5 * (cube - square),
    ]


def _on_grid(values_px: Array, multiple: int) -> NDArray[np.float32]:
    """Rounded to multiples of `multiple` / 256; steps need 2, because half steps are used."""
    grid = GRID / multiple
    bounded = np.clip(values_px, -2.0 * MAX_SIDE_PX, 2.0 * MAX_SIDE_PX)
    return (np.round(bounded * grid) / grid).astype(np.float32)


def _difference(values: Array, axis: int) -> Array:
    step = np.diff(values, axis=axis)
    pad = np.full_like(np.take(values, [0], axis=axis), np.nan)
    before, after = np.concatenate([pad, step], axis=axis), np.concatenate([step, pad], axis=axis)
    # the smaller of the two sides: a jump between two zones is no footprint
    gentler = np.where(np.abs(before) < np.abs(after), before, after)
    gentler = np.where(np.isfinite(before), gentler, after)
    return np.nan_to_num(np.where(np.isfinite(after), gentler, before), nan=0.0)
