"""Is the light steady? Several photographs of one unchanging picture, compared frame by frame and row by row.

A colour wheel, a scanned beam or mains light that is not averaged over whole periods makes successive photographs
unequally bright; a rolling shutter turns the same thing into bands of rows that wander from photograph to photograph.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, Photo

_ROWS = 256  # rows are averaged to about so many bands: noise falls, bands of a few rows stay
_MIN_ROW = 16  # usable pixels in a band of rows, below which it is left out
_PEAK = 4.0  # a band period is told when it holds so many times the mean power of its spectrum


@dataclass(frozen=True, kw_only=True)
class Steadiness:
    """How much an unchanging picture changes, with the photographs' own noise taken off.

    Attributes
    ----------
    flicker : standard deviation of whole photographs' mean brightness, as a share of it.
    banding : rms of the rows' brightness against their own mean over time, beyond the flicker, same share.
    band_rows : how many camera rows one band is long (a whole period), NaN when none stands out.
    noise : standard deviation of a pixel from photograph to photograph, as a share of full scale.
    photos : how many were compared.
    """

    flicker: float
    banding: float
    band_rows: float
    noise: float
    photos: int


def measure_steadiness(photos: Sequence[Photo], where: BoolArray, *, response: Array | None = None) -> Steadiness:
    """Compare photographs of one picture.

    Parameters
    ----------
    photos : two or more (H, W) photographs in the order they were taken.
    where : (H, W) pixels to look at; ones that saturate are left out.
    response : (full_scale + 1,) linear light of each code value (`Response.table`). Without it code values are
        compared, whose shares come out about half as large for a gamma-coded camera.

    Raises
    ------
    MeasurementError
        If fewer than two photographs or hardly any usable pixel is given.
    """
    full_scale = float(np.iinfo(photos[0].dtype).max) if photos else 0.0
    usable = np.array(where, bool)
    for photo in photos:
        usable &= photo < full_scale
    if len(photos) < 2 or np.count_nonzero(usable) < _MIN_ROW:
        raise MeasurementError(
            f"{len(photos)} photographs with {np.count_nonzero(usable)} usable pixels: two or more of a lit, unburnt "
            "picture are needed to tell whether the light is steady"
        )
    group = max(1, usable.shape[0] // _ROWS)
    light = np.arange(full_scale + 1.0) if response is None else response
    sums, counts = (
        np.stack([_row_sums(light[photo], usable, group) for photo in photos]),
        _row_sums(usable, usable, group),
    )
    kept = counts >= _MIN_ROW
    rows = sums[:, kept] / counts[kept]  # (T, R) mean brightness of each band of rows
    mean = rows.mean(axis=0)
    unbiased = np.sqrt(len(photos) / (len(photos) - 1.0))  # the mean is taken from the same photographs
    frame = np.average(rows, axis=1, weights=counts[kept])
    relative = (rows - mean) / np.average(mean, weights=counts[kept])
    wander = relative - np.average(relative, axis=1, weights=counts[kept])[:, None]
    pixels = photos[0][usable].astype(np.float32) - photos[-1][usable]
    return Steadiness(
        flicker=float(np.std(frame, ddof=1) / np.mean(frame)),
        banding=float(unbiased * np.sqrt(max(smooth_power(wander, counts[kept]), 0.0))),
        band_rows=band_rows(wander, group),
        noise=float(np.std(pixels) / np.sqrt(2.0) / full_scale),
        photos=len(photos),
    )


def smooth_power(wander: Array, counts: Array) -> float:
    """Mean square of what neighbouring rows share: the pixels' noise, which they do not share, drops out."""
    if wander.shape[1] < 2:
        return 0.0
    return float(
        np.average(np.mean(wander[:, 1:] * wander[:, :-1], axis=0), weights=np.minimum(counts[1:], counts[:-1]))
    )


def _row_sums(values: NDArray[np.generic], usable: BoolArray, group: int) -> Array:
    """Sums over the usable pixels of every `group` rows."""
    rows = np.where(usable, values, 0).sum(axis=1, dtype=float)
    return np.add.reduceat(rows, np.arange(0, len(rows), group))


def band_rows(wander: Array, group: int) -> float:
    """Length of the wave that holds most of the bands' power; NaN when no wave stands out from noise."""
    count = wander.shape[1]
    power = np.mean(np.abs(np.fft.rfft(wander * np.hanning(count), axis=1)[:, 1:]) ** 2, axis=0)
    if count < 8 or not power.any():
        return float("nan")
    best = int(np.argmax(power))
    return float(count * group / (best + 1)) if power[best] > _PEAK * power.mean() else float("nan")


def steady_exposures_s(frame_s: float, *, shortest_s: float, count: int = 3) -> tuple[float, ...]:
    """Exposures that see only whole periods of the projector: whole multiples of its frame time, two or more.

    The `count` of them from `shortest_s` upwards. A multiple of mains light's period (1/100 or 1/120 s) on top of that
    is rarely to be had; three frames of 60 Hz are five half-waves of 50 Hz, two are four half-waves of 60 Hz.
    """
    first = max(2, int(np.ceil(shortest_s / frame_s - 1e-6)))
    return tuple(frame_s * (first + k) for k in range(count))
