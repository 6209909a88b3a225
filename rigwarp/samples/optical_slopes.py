"""The slope map of a sample in bands of wavelength: what moves the picture, and in which direction it runs."""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.closed_forms import disc_modulation
from rigwarp.samples.local_blur import BLUR_PERIODS
from rigwarp.samples.registered import Nodes

MIDDLE_MM = 20.0
"""Where the two bands meet."""
_LEAST_KEPT = 0.5  # of a slope that the footprint leaves: less is not worth dividing by


_NO_SPREAD: Array = np.zeros(2)
_ROUNDING = 1e-6
_LENGTHS = 0.009  # 1-sigma share of what bench.toml says: the way to the screen, and the width of the picture
_CROWDED = 0.4  # of how waves stretch the picture, likewise; both from known pieces (bench_samples.py)


@dataclass(frozen=True, kw_only=True)
class SlopeBand:
    """Optical slopes (half the deviation of the beam) with wavelengths between two limits.

    Attributes
    ----------
    shortest_mm, longest_mm : the band's limits.
    rms_rad : (2,) in and out of the plane of incidence, weighted by a Hann window (the middle counts most).
    sigma_rad : (2,)
    """

    shortest_mm: float
    longest_mm: float
    rms_rad: Array
    sigma_rad: Array


@dataclass(frozen=True, kw_only=True)
class Form:
    """What is fitted and named before the bands: the sheet's bow, 1/mm, along and across, and its twist."""

    bow_per_mm: Array
    bow_sigma_per_mm: float


@dataclass(frozen=True, kw_only=True)
class Direction:
    """Along which direction the waves' crests run, degrees from the plane of incidence, and how clearly (0..1)."""

    crests_deg: float
    coherence: float


def slopes_of(bench: SampleBench, landing: Array) -> Array:
    """(rows, columns, 2) optical slopes of landings (mm on the screen, sample less reference): rising sends back."""
    return np.asarray(-landing / (2.0 * bench.far_mm) / np.array([1.0, np.cos(bench.angle_rad)]))


def without_form(slopes: Array, nodes: Nodes) -> tuple[Array, Form]:
    """Slopes less those of a tilted, bowed and twisted sheet (height of second order), and what that was."""
    y, x = np.indices(slopes.shape[:2])
    x = (x - x.mean()) * nodes.pitch_mm[0]
    y = (y - y.mean()) * nodes.pitch_mm[1]
    rows = np.stack([np.ones_like(x), x, y], axis=-1).reshape(-1, 3)
    fit, *_ = np.linalg.lstsq(rows, slopes.reshape(-1, 2), rcond=None)
    rest = slopes - (rows @ fit).reshape(slopes.shape)
    residual = float(np.sqrt(np.mean(rest**2)))
    reach = float(min(np.std(x), np.std(y)))
    # neighbours share their errors: as many independent values as footprints of the longest waves, a dozen or so
    bow = np.array([fit[1, 0], fit[2, 1], 0.5 * (fit[2, 0] + fit[1, 1])])
    return rest, Form(bow_per_mm=bow, bow_sigma_per_mm=residual / reach / np.sqrt(12.0))


def slope_bands(
    bench: SampleBench,
    slopes: Array,
    noise: Array | None,
    nodes: Nodes,
    *,
    spread_mm2: Array = _NO_SPREAD,
    crowding: float = 0.0,
) -> list[SlopeBand]:
    """rms of slopes (rows, columns, 2), already without form, in the two bands.

    The footprint's averaging is divided out, and that of the blur on the screen, beside what waves make of it.

    Parameters
    ----------
    noise : the same of nothing but noise, as strong as in `slopes`; its power is taken off.
    spread_mm2 : (2,) variance of that blur.
    crowding : mean square by which waves stretch the picture. The mean over the beam's width is that of the slopes only
        to first order; of the second is what this leaves in doubt.
    """
    shape = slopes.shape[:2]
    fx, fy = np.meshgrid(np.fft.fftfreq(shape[1], nodes.pitch_mm[0]), np.fft.fftfreq(shape[0], nodes.pitch_mm[1]))
    rate = np.hypot(fx, fy)
    wide = bench.footprint_mm * np.hypot(fx / np.cos(bench.angle_rad), fy)
    kept = np.maximum(disc_modulation(1.0, wide), _LEAST_KEPT)[..., None]
    per_mm = nodes.pitch_mm / bench.pixel_mm  # on the screen by the mirror's
    kept = kept * _left_by_spread(bench, np.stack([fx, fy], axis=-1) * per_mm, spread_mm2)
    longest = 0.5 * min(shape[1] * nodes.pitch_mm[0], shape[0] * nodes.pitch_mm[1])
    limits = [2.0 * bench.footprint_mm, min(MIDDLE_MM, longest), longest]
    power = _power(slopes) / kept**2
    empty = np.zeros_like(power) if noise is None else _power(noise) / kept**2
    bands = []
    for shortest, longest_mm in pairwise(limits):
        if longest_mm <= 1.2 * shortest:
            continue
        # one frequency lies on the longer limit: not for a rounding error to decide
        inside = (rate <= 1.0 / shortest) & (rate > (1.0 + _ROUNDING) / longest_mm)
        square, floor = power[inside].sum(axis=0), empty[inside].sum(axis=0)
        rms = np.sqrt(np.maximum(square - floor, 0.0))
        # the window leaves about a quarter of the cells independent; of a signal with noise on it, 2 s n is what varies
        cells = max(1.0, np.count_nonzero(inside) / 4.0)
        of_square = np.sqrt((4.0 * rms**2 * floor / 2.0 + floor**2) / cells)
        noisy = of_square / np.maximum(2.0 * rms, np.sqrt(np.maximum(of_square, 1e-18)))
        sigma = np.hypot(noisy, np.hypot(_CROWDED * crowding, _LENGTHS) * rms)
        bands.append(SlopeBand(shortest_mm=shortest, longest_mm=longest_mm, rms_rad=rms, sigma_rad=sigma))
    return bands


def _left_by_spread(bench: SampleBench, per_mm: Array, spread_mm2: Array) -> Array:
    """(..., 2) what blur on the screen leaves of the two displacements of waves of frequency (..., 2) there.

    Notes
    -----
    With k = 2 pi f and s^2 the variance along an axis, the mean over the spread takes half of s^2 k^2 off for either
    axis. Waves crowd light (by 1 - div d), and crowded light counts more: s^2 |k|^2 more of the displacement along the
    axis. Of stripes of frequency v the phase is read, whose mean over the spread takes (2 pi v s)^2 less off.
    """
    stripes = 1.0 / (bench.pixel_mm * np.array(BLUR_PERIODS))
    turned = np.multiply.outer(spread_mm2, (2.0 * np.pi * stripes) ** 2)
    weight = stripes**2 * np.exp(-turned)  # positions are read from all of them, by contrast and fineness
    less = np.sum(weight * turned, axis=-1) / np.sum(weight, axis=-1)
    square = spread_mm2 * (2.0 * np.pi * per_mm) ** 2
    crowded = spread_mm2 * np.sum((2.0 * np.pi * per_mm) ** 2, axis=-1, keepdims=True)
    return np.asarray(np.exp(-(crowded + 0.5 * (square.sum(axis=-1, keepdims=True) - less * square))))


def _power(slopes: Array) -> Array:
    """(rows, columns, 2) mean square by frequency, of a map under a Hann window in both directions."""
    rows, columns = slopes.shape[:2]
    window = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1])
    mean = np.sum(slopes * window[..., None] ** 2, axis=(0, 1)) / np.sum(window**2)
    spectrum = np.fft.fft2((slopes - mean) * window[..., None], axes=(0, 1))
    return np.asarray(np.abs(spectrum) ** 2 / (slopes[..., 0].size * np.sum(window**2)))


def direction_of(slopes: Array) -> Direction:
    """By the covariance of the slopes: waves lean to and fro across their crests."""
    smooth = np.stack([cv2.GaussianBlur(np.ascontiguousarray(slopes[..., k]), (0, 0), 2.0) for k in (0, 1)], axis=-1)
    flat = smooth.reshape(-1, 2) - smooth.reshape(-1, 2).mean(axis=0)
    values, vectors = np.linalg.eigh(flat.T @ flat / len(flat))
    x, y = vectors[:, 0]
    return Direction(
        crests_deg=float(np.degrees(np.arctan2(y, x)) % 180.0),
        coherence=float((values[1] - values[0]) / max(values.sum(), 1e-30)),
    )
