"""Periodic height errors (print layers, tool marks) from the spectrum of the slopes."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.polynomials import plane_powers

_STANDS_OUT = 25.0  # peak power over the local median; noise alone reaches 13 once in 10^4 frequencies
_LEAST_UM, _LEAST_MRAD = 0.01, 0.01  # 8 um on a table 0.4 m away: finer waves are the decoding's, not the mirror's
_FINEST_SPACINGS = 2.5  # periods shorter than so many sample spacings are not looked for
_COARSEST_SHARE = 0.25  # of the footprint: longer waves are form, not ripple
_POLYNOMIAL = 6  # order of the smooth form taken off first
_MOST_NODES = 220
_NEIGHBOURS = 0.35  # relative half-width of the ring of frequencies whose median is the local noise
_DIRECTIONS = 36  # of waves that are averaged over


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """A wave in the height: a cos(2 pi (x cos b + y sin b) / period + phase).

    Attributes
    ----------
    period_mm, amplitude_um : of the wave; the amplitude is half its peak to valley.
    direction_deg : b, from the mirror's x axis towards y, the direction in which the height goes up and down; 0..180.
    over_noise : power over the local noise of the spectrum.
    """

    period_mm: float
    amplitude_um: float
    direction_deg: float
    over_noise: float


@dataclass(frozen=True, kw_only=True)
class RippleSearch:
    """What was looked for: periods from `shortest_mm` to `longest_mm`, and the amplitude that would have stood out."""

    shortest_mm: float
    longest_mm: float
    least_amplitude_um: float


@dataclass(frozen=True, kw_only=True)
class TakenRipple:
    """Regular ripple that was taken off the samples before the fit, so that no height holds it.

    Attributes
    ----------
    mean_square_mm2, period_mm : (k,) of the heights of each of its waves, and their periods.
    xy_mm : (n, 2) where heights are told, mirror frame.
    """

    mean_square_mm2: Array
    period_mm: Array
    xy_mm: Array

    def covariance_mm2(self, weights: Array) -> Array:
        """(m, m) of what it may have of sums of the heights with weights (m, n), in whatever direction it ran.

        No form is free of ripple: one that was taken off before a fit took that much of each form with it.
        """
        angle = np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
        along = self.xy_mm @ np.stack([np.cos(angle), np.sin(angle)])
        covariance = np.zeros((len(weights), len(weights)))
        for square, period in zip(self.mean_square_mm2, self.period_mm, strict=True):
            waves = weights @ np.exp(2j * np.pi / float(period) * along)
            covariance += square * np.real(waves @ waves.conj().T) / _DIRECTIONS
        return covariance


def find_ripple(xy_mm: Array, slope_mrad: Array) -> tuple[Ripple | None, RippleSearch]:
    """Look for a ripple in slopes (N, 2) at points (N, 2), mirror frame.

    Notes
    -----
    A wave of height has slopes along its own direction only, so the spectrum is taken of the component along each
    frequency: S(k) = k . (Sx, Sy) / |k|, and the height is S / |k|.
    """
    spacing = float(np.sqrt(np.prod(np.ptp(xy_mm, axis=0)) / len(xy_mm)))
    extent = float(np.ptp(xy_mm, axis=0).min())
    step = max(spacing, float(np.ptp(xy_mm, axis=0).max()) / _MOST_NODES)
    band = (_FINEST_SPACINGS * step, _COARSEST_SHARE * extent)
    if band[0] >= band[1]:
        return None, RippleSearch(shortest_mm=band[1], longest_mm=band[1], least_amplitude_um=np.inf)
    # less smooth polynomials of x and y, each component by itself
    centre = xy_mm.mean(axis=0)
    functions = plane_powers((xy_mm - centre) / np.abs(xy_mm - centre).max(), _POLYNOMIAL)
    normal = functions.T @ functions + 1e-9 * len(xy_mm) * np.eye(functions.shape[1])
    left = np.asarray(slope_mrad - functions @ np.linalg.solve(normal, functions.T @ slope_mrad), float)
    k, power, scale = _spectrum(xy_mm, left, step)
    length = np.linalg.norm(k, axis=-1)
    searched = (length > 1.0 / band[1]) & (length < 1.0 / band[0])
    ratio, local = _over_noise(length, power, searched)
    height_um = scale * np.sqrt(_STANDS_OUT * np.median(local[searched] / length[searched] ** 2)) / (2.0 * np.pi)
    search = RippleSearch(shortest_mm=band[0], longest_mm=band[1], least_amplitude_um=max(float(height_um), _LEAST_UM))
    # white slope noise falls as 1/k in height; the peak that matters is the highest one in slope
    best = int(np.argmax(np.where(searched, ratio, 0.0)))
    if ratio[best] < _STANDS_OUT:
        return None, search
    wave = _refine(xy_mm, left, k[best], 0.5 / float(np.ptp(xy_mm, axis=0).max()))
    direction = np.degrees(np.arctan2(wave[1], wave[0])) % 180.0
    size = float(np.linalg.norm(wave))
    slope = float(np.linalg.norm(_wave_fit(xy_mm, left, wave)[0]))
    amplitude = slope / (2.0 * np.pi * size)
    if slope < _LEAST_MRAD or amplitude < _LEAST_UM:
        return None, search
    over_noise = float(ratio[best])
    ripple = Ripple(
        period_mm=1.0 / size, amplitude_um=float(amplitude), direction_deg=float(direction), over_noise=over_noise
    )
    return ripple, search


def _spectrum(xy_mm: Array, slope_mrad: Array, step_mm: float) -> tuple[Array, Array, float]:
    """Frequencies (M, 2) per mm (half plane), power of the longitudinal slope, and power -> slope amplitude factor."""
    low = xy_mm.min(axis=0)
    cell = np.floor((xy_mm - low) / step_mm).astype(int)
    nx, ny = cell.max(axis=0) + 1
    flat = cell[:, 0] * ny + cell[:, 1]
    count = np.bincount(flat, minlength=nx * ny)
    mean = [np.bincount(flat, s, minlength=nx * ny) / np.maximum(count, 1) for s in slope_mrad.T]
    window = _window(count.reshape(nx, ny) > 0)
    ft = [np.fft.rfft2(m.reshape(nx, ny) * window) for m in mean]
    kx, ky = np.meshgrid(np.fft.fftfreq(nx, step_mm), np.fft.rfftfreq(ny, step_mm), indexing="ij")
    size = np.maximum(np.hypot(kx, ky), 1e-12)
    along = (kx * ft[0] + ky * ft[1]) / size
    k = np.stack([kx, ky], axis=-1).reshape(-1, 2)
    return k, np.abs(along.ravel()) ** 2, 2.0 / float(window.sum())


def _window(lit: BoolArray) -> Array:
    """Weights that fall smoothly to zero at the rim of the lit cells."""
    inside = distance_transform_edt(np.pad(lit, 1))[1:-1, 1:-1]
    depth = np.minimum(inside / max(0.5 * float(inside.max()), 1.0), 1.0)
    return np.asarray(np.sin(0.5 * np.pi * depth) ** 2, float)


def _over_noise(length: Array, power: Array, searched: BoolArray) -> tuple[Array, Array]:
    """Power over the median power of frequencies of about the same length, and that median."""
    order = np.argsort(length)
    local = np.full(len(length), np.inf)
    sorted_length, sorted_power = length[order], power[order]
    knots = np.geomspace(max(length[searched].min(), 1e-9), length[searched].max(), 24)
    medians = []
    for knot in knots:
        a, b = np.searchsorted(sorted_length, [knot * (1 - _NEIGHBOURS), knot * (1 + _NEIGHBOURS)])
        medians.append(np.median(sorted_power[a:b]) if b > a else np.inf)
    local[searched] = np.interp(np.log(length[searched]), np.log(knots), medians)
    return power / np.maximum(local, 1e-300), local


def _refine(xy_mm: Array, slope_mrad: Array, start: Array, step: float) -> Array:
    """The frequency (2,) near `start` whose wave takes most out of the slopes: a shrinking pattern search."""
    best, power = start, float(np.sum(_wave_fit(xy_mm, slope_mrad, start)[1]))
    while step > 1e-3 * float(np.linalg.norm(start)):
        trials = best + step * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        powers = [float(np.sum(_wave_fit(xy_mm, slope_mrad, trial)[1])) for trial in trials]
        if max(powers) > power:
            best, power = trials[int(np.argmax(powers))], max(powers)
        else:
            step = step / 2.0
    return best


def _wave_fit(xy_mm: Array, slope_mrad: Array, k: Array) -> tuple[Array, Array]:
    """Amplitudes (2,) of cosine and sine of the slope along k, and what they take out of its sum of squares."""
    phase = 2.0 * np.pi * (xy_mm @ k)
    along = slope_mrad @ (k / np.linalg.norm(k))
    waves = np.stack([np.cos(phase), np.sin(phase)], axis=-1)
    right = waves.T @ along
    amplitudes = np.linalg.solve(waves.T @ waves, right)
    return np.asarray(amplitudes, float), np.asarray(amplitudes * right, float)
