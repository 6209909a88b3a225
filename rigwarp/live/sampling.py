"""Where each projector pixel looks into a picture, in numbers that float32 and float64 renderers treat alike.

A projector pixel averages n x n bilinear samples spread over its footprint in the picture, n from the map's
derivative, so that a minified picture does not flicker or alias. All positions are multiples of 1/2048 pixel: sums of
such numbers below 8192 are exact in float32, so a GPU, OpenCV and the float64 reference sample the very same points.
Without that, a weight of 1e-4 instead of 0 would be worth several code values in the darks of a gamma curve.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.live.picture import MAX_SIDE_PX
from rigwarp.prewarp import Prewarp, content_coordinates
from rigwarp.rig import Transfer

_GRID = 2048.0
"""Positions per pixel; 24 bits of float32 then reach MAX_SIDE_PX = 8192."""
_MAX_TAPS = 16
_TAP_SLACK = 0.05
"""Footprints up to this share wider than n pixels still use n taps: no visible difference, a quarter of the cost."""
_NOWHERE_PX = -16.0
_ROWS_AT_ONCE = 128
"""Bounds the float64 arrays at work to some 50 MB for a 4K projector."""


@dataclass(frozen=True, kw_only=True)
class SampleMap:
    """Sampling positions of every projector pixel in a picture of one size.

    Attributes
    ----------
    position_px : (H, W, 2) float32
        Middle of the footprint in picture pixels; outside the picture where nothing is drawn.
    step_px : (H, W, 2, 2) float32
        From one tap to the next: step_px[..., :, 0] along the projector's u, [..., :, 1] along its v.
    taps : (H, W) uint8
        n: the footprint is averaged over n x n taps.
    gain : (H, W) float32
        Factor on linear light, 0 = black.
    transfer : the projector's transfer curve.
    picture_size : (width, height) of the picture.
    """

    position_px: NDArray[np.float32]
    step_px: NDArray[np.float32]
    taps: NDArray[np.uint8]
    gain: NDArray[np.float32]
    transfer: Transfer
    picture_size: tuple[int, int]


def sample_map(prewarp: Prewarp, picture_size: tuple[int, int]) -> SampleMap:
    """Sampling positions for a picture that fills the content canvas as far as its aspect allows.

    Parameters
    ----------
    prewarp : mesh and gain.
    picture_size : (width, height)
        The picture is centred on the canvas, its aspect kept; what it leaves free stays black.

    Raises
    ------
    InputError
        When a side is longer than MAX_SIDE_PX.
    """
    if max(picture_size) > MAX_SIDE_PX:
        raise InputError(f"the picture is {picture_size[0]} x {picture_size[1]} pixels, at most {MAX_SIDE_PX} a side")
    canvas_px = content_coordinates(prewarp)
    scale, offset_px = fit_to_canvas(picture_size, prewarp.content_pixels)
    height, width = prewarp.gain.shape
    samples = SampleMap(
        position_px=np.empty((height, width, 2), np.float32),
        step_px=np.empty((height, width, 2, 2), np.float32),
        taps=np.empty((height, width), np.uint8),
        gain=np.empty((height, width), np.float32),
        transfer=prewarp.transfer,
        picture_size=picture_size,
    )
    for start in range(0, height, _ROWS_AT_ONCE):
        rows = slice(start, min(start + _ROWS_AT_ONCE, height))
        halo = slice(max(rows.start - 1, 0), rows.stop + 1)  # derivatives look one row further
        picture_px = (canvas_px[halo] + 0.5 - offset_px) / scale - 0.5
        footprint = _footprint(picture_px)
        inner = slice(rows.start - halo.start, rows.stop - halo.start)
        _fill_rows(samples, rows, picture_px[inner], footprint[inner], prewarp.gain[rows])
    return samples


def _fill_rows(samples: SampleMap, rows: slice, picture_px: Array, footprint: Array, gain: NDArray[np.float32]) -> None:
    """Write some rows of a sample map."""
    widest = np.linalg.norm(footprint, axis=-2).max(axis=-1)
    taps = np.clip(np.ceil(widest - _TAP_SLACK), 1, _MAX_TAPS)
    lit = np.isfinite(picture_px).all(axis=-1) & (gain > 0)
    samples.position_px[rows] = _on_grid(np.where(lit[..., None], picture_px, _NOWHERE_PX), 1)
    samples.step_px[rows] = _on_grid(footprint / taps[..., None, None], 2)
    samples.taps[rows] = taps
    samples.gain[rows] = np.where(lit, gain, 0.0)


def fit_to_canvas(picture_size: tuple[int, int], canvas_size: tuple[int, int]) -> tuple[float, Array]:
    """Canvas pixels per picture pixel, and the (2,) canvas position of the picture's top-left corner, its edge at 0."""
    picture, canvas = np.array(picture_size, float), np.array(canvas_size, float)
    scale = float((canvas / picture).min())
    return scale, (canvas - scale * picture) / 2.0


def tap_positions(samples: SampleMap, where: tuple[NDArray[np.intp], ...], taps: int) -> list[NDArray[np.float32]]:
    """Positions of the n x n taps of the projector pixels `where` (np.nonzero's form), each (N, 2), exact."""
    position, step = samples.position_px[where], samples.step_px[where]
    offsets = (2 * np.arange(taps, dtype=np.float32) + 1 - taps) / 2
    return [position + i * step[..., 0] + j * step[..., 1] for j in offsets for i in offsets]


def _on_grid(values_px: Array, multiple: int) -> NDArray[np.float32]:
    """Rounded to multiples of `multiple` / 2048; steps need 2, because half steps are used."""
    grid = _GRID / multiple
    bounded = np.clip(values_px, -2.0 * MAX_SIDE_PX, 2.0 * MAX_SIDE_PX)
    return (np.round(bounded * grid) / grid).astype(np.float32)


def _footprint(picture_px: Array) -> Array:
    """d(picture)/d(projector pixel), (H, W, 2, 2), outputs before inputs; zero where no neighbour is known."""
    along_u, along_v = _difference(picture_px, 1), _difference(picture_px, 0)
    return np.stack([along_u, along_v], axis=-1)


def _difference(values: Array, axis: int) -> Array:
    step = np.diff(values, axis=axis)
    pad = np.full_like(np.take(values, [0], axis=axis), np.nan)
    before, after = np.concatenate([pad, step], axis=axis), np.concatenate([step, pad], axis=axis)
    # the smaller of the two sides: a jump between two zones is no footprint
    gentler = np.where(np.abs(before) < np.abs(after), before, after)
    gentler = np.where(np.isfinite(before), gentler, after)
    return np.nan_to_num(np.where(np.isfinite(after), gentler, before), nan=0.0)
