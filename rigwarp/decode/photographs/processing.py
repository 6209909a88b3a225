"""What the camera does to its pictures before it hands them out: compression, smoothing, bands of a rolling shutter.

Two photographs of one picture differ by noise alone. Noise of a sensor is white; compression in blocks of 8 x 8 pixels
makes it jump from block to block; smoothing takes it out of what is flat. Bands are the same along each row and wander
from photograph to photograph: they show in the mean over the steps of a sinusoid, which is the same for all sinusoids.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.steadiness import band_rows, smooth_power
from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.signal_model import SHOWN_ROUNDING, SignalModel, code_step
from rigwarp.geometry import Array, BoolArray

_BLOCK = 8  # camera pixels; JPEG, H.264 and their like work in blocks of this size or multiples of it
_STRIP, _MOST_PIXELS = 32, 80_000  # rows looked at together, and how many pixels in all
_TILE = 32  # camera pixels, for which noise is averaged
_FEWEST = 2_000  # pairs of pixels, or else nothing is said
_JUMP = 1.3  # mean square of steps at the blocks' borders over that of others; 1.00 to 1.02 for sensors' noise
_APART = 6  # camera pixels, over which smoothed noise is no longer alike
_SLOPE_PX, _FLAT = 1.5, 0.1  # sigma over which slopes are taken; share of the pixels that are looked at
_SMOOTH = 0.4  # of the noise between neighbours; what a colour camera interpolates keeps 0.6
_BRIGHT = 0.5  # of the usual contrast
_COARSE = 0.5  # squares of the light between two codes
_COLUMNS = 48  # looked at for bands
_BAND = 0.0015  # rms, share of the light: phases shift by less than their noise
_MOST_ROWS = 0.4  # of the lit rows; longer than that is light that changes from place to place
_DOMINANT = 0.4  # share of the rows' power in one period
_NOISE_CELL_PX = 16
_UNSEEN = 2.0  # variance: what compression and smoothing do to stripes hardly shows in the mean over their steps
_MOST_EXCESS = 16.0  # variance over the noise model's; a shadow that passes may not pass as compression


@dataclass(frozen=True, kw_only=True)
class Processing:
    """What was found.

    Attributes
    ----------
    compressed, smoothed : were pictures compressed in blocks, or smoothed?
    bands : rms of bright and dark bands, share of the light; 0 where there are none.
    band_rows : camera rows from band to band.
    bands_out : whether they were taken out of the photographs.
    """

    compressed: bool = False
    smoothed: bool = False
    bands: float = 0.0
    band_rows: float = np.nan
    bands_out: bool = False

    @property
    def uneven(self) -> bool:
        """Does the noise differ from place to place?"""
        return self.compressed or self.smoothed or self.bands > 0.0

    def in_words(self) -> tuple[str, ...]:
        """What it is, and what to set on the camera; a sentence each."""
        told = []
        if self.compressed:
            told.append(
                f"the camera compresses its pictures (JPEG or video), which shows in blocks of {_BLOCK} x {_BLOCK} "
                "pixels; uncertainties are widened. Set it to raw, PNG or uncompressed, or to its best quality"
            )
        if self.smoothed:
            told.append(
                "the camera smooths its pictures (noise reduction), so that neighbouring pixels share their noise; "
                "uncertainties are widened. Switch noise reduction and beautifying off, and lower ISO or gain"
            )
        if self.bands:
            done = "they were taken out" if self.bands_out else "uncertainties are widened"
            told.append(
                f"bright and dark bands of {100 * np.sqrt(2.0) * self.bands:.1f} %, about {self.band_rows:.0f} "
                "camera rows long, wander through the photographs (rolling shutter against the mains or the "
                f"projector); {done}. Expose for whole periods of both, 1/50 s or 1/25 s (1/60 s or 1/30 s with mains "
                "of 60 Hz), or switch the lamps off"
            )
        return tuple(told)


def find_processing(
    photos: Sequence[NDArray[np.unsignedinteger]],
    usable: BoolArray,
    axes: tuple[AxisLayout, AxisLayout],
    repeats: Sequence[tuple[int, int]],
    light_of_code: Array,
    ends: tuple[int, int],
) -> Processing:
    """Look at the frames shown twice, and for bands at all waves.

    Parameters
    ----------
    photos : (H, W) each, as they were taken: moved ones have been smoothed.
    usable : (H, W) lit pixels that do not saturate.
    repeats : (first, again) indices of frames shown twice.
    ends : indices of black and white.
    """
    strips = [rows for rows in _strips(usable) if usable[rows].any()]
    if not strips:
        return Processing()
    # around what the projector lights it is dim, flat and without noise
    black, white = ends
    contrast = [cv2.subtract(photos[white][rows], photos[black][rows]) for rows in strips]
    least = _BRIGHT * float(np.median(np.concatenate([c[usable[r]] for c, r in zip(contrast, strips, strict=True)])))
    where = [usable[rows] & (c > least) for c, rows in zip(contrast, strips, strict=True)]
    apart = [[np.subtract(photos[b][rows], photos[a][rows], dtype=np.float32) for rows in strips] for a, b in repeats]
    compressed = bool(apart) and all(_in_blocks(one, where) for one in apart)
    table = np.asarray(light_of_code, np.float32)
    smoothed = bool(apart) and not compressed and _smoothed(photos, strips, where, axes, repeats, table)
    bands, rows = (0.0, np.nan) if compressed else _bands(photos, usable, axes, table)
    return Processing(compressed=compressed, smoothed=smoothed, bands=bands, band_rows=rows)


def _strips(usable: BoolArray) -> list[slice]:
    """Evenly spread strips of rows, which begin where blocks do."""
    height = len(usable) // _STRIP
    step = max(1, int(np.ceil(np.count_nonzero(usable) / _MOST_PIXELS)))
    return [slice(n * _STRIP, (n + 1) * _STRIP) for n in range(step // 2, height, step)]


def _in_blocks(apart: Sequence[Array], where: Sequence[BoolArray]) -> bool:
    """Do differences of two photographs jump at every eighth pixel, along rows and along columns?"""
    for turned in (False, True):
        total, count = np.zeros(_BLOCK), np.zeros(_BLOCK)
        for values, usable in zip(apart, where, strict=True):
            one, lit = (values.T, usable.T) if turned else (values, usable)
            both = lit[:, 1:] & lit[:, :-1]
            square = np.where(both, np.diff(one, axis=1) ** 2, 0.0).sum(axis=0)
            at = np.arange(len(square)) % _BLOCK
            total += np.bincount(at, square, _BLOCK)
            count += np.bincount(at, both.sum(axis=0), _BLOCK)
        if count.min() < _FEWEST / _BLOCK:
            return False
        mean = total / count
        if not mean.max() > _JUMP * float(np.median(mean)):
            return False
    return True


def _smoothed(
    photos: Sequence[NDArray[np.unsignedinteger]],
    strips: Sequence[slice],
    where: Sequence[BoolArray],
    axes: tuple[AxisLayout, AxisLayout],
    repeats: Sequence[tuple[int, int]],
    table: NDArray[np.float32],
) -> bool:
    """Do neighbours differ by much less between two photographs where the picture is flat than noise explains?

    Noise reduction keeps edges and leaves steep stripes alone; what has moved does not show where the picture is flat.
    """
    noise = _noise(photos, strips, where, axes, table)
    some = photos[repeats[0][0]][strips[len(strips) // 2]]
    quantum = code_step(some) * float(np.median(np.gradient(table)[some]))
    if not noise > _COARSE * quantum**2:  # with hardly any noise, rounding takes it out of what is flat
        return False
    for first, again in repeats:
        total, count = 0.0, 0
        for rows, usable in zip(strips, where, strict=True):
            before, after = (np.take(table, photos[index][rows]) for index in (first, again))
            for one, lit in ((after - before, flat := _flat(before + after, usable)), ((after - before).T, flat.T)):
                both = lit[:, 1:] & lit[:, :-1]
                total += float(np.sum(np.diff(one, axis=1)[both] ** 2))
                count += int(np.count_nonzero(both))
        if count < _FEWEST or total > _SMOOTH * 4.0 * noise * count:
            return False
    return True


def _flat(values: NDArray[np.float32], usable: BoolArray) -> BoolArray:
    """The usable pixels that are the flattest."""
    smooth = cv2.GaussianBlur(values, (0, 0), _SLOPE_PX)
    slope = cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    return usable & (slope <= np.quantile(slope[usable], _FLAT)) if usable.any() else usable


def _noise(
    photos: Sequence[NDArray[np.unsignedinteger]],
    strips: Sequence[slice],
    where: Sequence[BoolArray],
    axes: tuple[AxisLayout, AxisLayout],
    table: NDArray[np.float32],
) -> float:
    """Variance of a light value, from the means of the finest sinusoids of both axes, which differ by noise alone."""
    squares = []
    waves = [min(zip(axis.periods_px, axis.frames, strict=True))[1] for axis in axes]
    for rows, usable in zip(strips, where, strict=True):
        one, other = (sum(np.take(table, photos[i][rows]) for i in wave) / len(wave) for wave in waves)
        apart = np.asarray(one - other)
        square = (apart[:, _APART:] - apart[:, :-_APART]) ** 2
        for left in range(0, square.shape[1] - _TILE + 1, _TILE):
            if usable[:, left : left + _TILE + _APART].all():
                squares.append(float(square[:, left : left + _TILE].mean()))
    return float(np.median(squares)) * len(waves[0]) / 4.0 if squares else 0.0


def _bands(
    photos: Sequence[NDArray[np.unsignedinteger]],
    usable: BoolArray,
    axes: tuple[AxisLayout, AxisLayout],
    table: NDArray[np.float32],
) -> tuple[float, float]:
    """Rms of bands in a photograph, share of the light, and their length in rows; 0 and NaN where there are none."""
    lit = np.flatnonzero(usable.any(axis=0))
    columns = lit[:: max(1, lit.size // _COLUMNS)]
    inside = usable[:, columns]
    count = inside.sum(axis=1)
    rows = np.flatnonzero(count >= max(8, inside.shape[1] // 4))
    if rows.size < _STRIP:
        return 0.0, np.nan
    waves = [frames for axis in axes for frames in axis.frames]
    means = np.stack([sum(np.take(table, photos[i][:, columns]) for i in frames) / len(frames) for frames in waves])
    usual = means.mean(axis=0)
    profiles = ((means - usual) * inside).sum(axis=2)[:, rows] / (usual * inside).sum(axis=1)[rows]
    # light that changes evenly from place to place is no band
    slow = np.polynomial.polynomial.polyvander(np.linspace(-1.0, 1.0, rows.size), 3)
    wander = profiles - (slow @ np.linalg.lstsq(slow, profiles.T, rcond=None)[0]).T
    power = max(smooth_power(wander, count[rows]), 0.0)
    length = band_rows(wander, 1)
    each = np.mean([len(frames) for frames in waves]) * len(waves) / max(1, len(waves) - 1)
    rms = float(np.sqrt(power * each))
    found = rms > _BAND and length < _MOST_ROWS * rows.size and _one_period(wander)
    return (rms, length) if found else (0.0, np.nan)


def _one_period(wander: Array) -> bool:
    """Is most of the rows' power in one period and the two beside it?"""
    power = np.mean(np.abs(np.fft.rfft(wander * np.hanning(wander.shape[1]), axis=1)) ** 2, axis=0)
    best = int(np.argmax(power))
    return bool(power[max(0, best - 2) : best + 3].sum() > _DOMINANT * power.sum())


def uneven_noise(
    photos: Sequence[NDArray[np.unsignedinteger]],
    axes: tuple[AxisLayout, AxisLayout],
    chain: SignalModel,
    ends: tuple[int, int],
    *,
    unseen: bool,
) -> NDArray[np.float32]:
    """(H, W) variance of a light value over the noise model's, 1 at least.

    By cells, from the scatter of the means over the steps of each sinusoid, in which neither several light paths nor a
    small motion show; `unseen` doubles it for what this does not show, either. The usual excess
    of the chain's axes is taken off: it is counted there.
    """
    table = np.asarray(chain.light_of_code, np.float32)
    waves = [frames for axis in axes for frames in axis.frames]
    total, squares = (np.zeros(photos[0].shape, np.float32) for _ in range(2))
    for frames in waves:
        mean = sum(np.take(table, photos[i]) for i in frames) / np.float32(len(frames))
        total += mean
        squares += mean * mean
    scatter = (squares - total * total / len(waves)) / (len(waves) - 1) * np.mean([len(frames) for frames in waves])
    black, white = (np.take(table, photos[end]) for end in ends)
    expected = chain.floor + 0.5 * chain.per_light * (black + white) + (SHOWN_ROUNDING * (white - black)) ** 2
    usual = float(np.mean([axis.variance_scale for axis in chain.axes]))
    side = (_NOISE_CELL_PX, _NOISE_CELL_PX)
    ratio = cv2.blur(np.asarray(scatter, np.float32), side) / cv2.blur(np.asarray(expected, np.float32), side)
    least = _UNSEEN if unseen else 1.0
    return np.asarray(np.clip(least * ratio / usual, least, _MOST_EXCESS), np.float32)
