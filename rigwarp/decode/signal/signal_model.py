"""What a scan tells about its own chain: noise, harmonic errors, and by how much misfits exceed the noise.

Learnt from a sample of pixels with the plain formulas; `block` then applies it to all of them quickly.
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.pixels.layout import AxisLayout
from rigwarp.decode.signal.harmonics import HarmonicError, estimate_harmonics, no_error
from rigwarp.decode.signal.noise import Noise, estimate_noise, scatter_of_means, scatter_of_repeats
from rigwarp.decode.signal.position import Phase, cell_position, phase_of_steps, refine, rough_position
from rigwarp.decode.signal.response import SHAPES, Response
from rigwarp.geometry import Array
from rigwarp.geometry.robust import chi_squared_limit

_HARMONIC_LIMIT_PX = 0.005  # a smaller error curve is lost in any noise and not worth taking out
# The usual misfit is read at the third quartile of chi-squared: misfits that scatter more, as they do where the noise
# model is not the whole truth, then count as they should.
_UPPER_QUARTILE, _FAR_OFF = 0.25, 1e-3
_HARMONIC_SIGMAS = 4.0
_NOISE_THINNING = 2  # every second one the noise: each gives ten values
_HARMONIC_THINNING = 3  # every third pixel of the sample tells the harmonic errors
_MOST_EXCESS = 4.0  # no camera is twice as noisy as it shows: beyond, it is the light that contradicts itself
_PASSES = 4
# What a camera whose curve is a plain power of 1.7 to 2.2 leaves in a sinusoid, share of its amplitude: 0.016 to 0.021
# in the second harmonic and 0.004 in the third.
_SECOND_HARMONIC, _NEXT_HARMONIC = 0.02, 0.25
UNSURE_SHAPE = 0.12
"""A shape of the camera's response that is known no better is told by three-step stripes, too. They know it no better
themselves: what shows them may have a gamma that is 5 % off."""
_SHAPE_SIGMAS, _SHAPES_TRIED, _SHAPE_PIXELS = 4.0, 21, 4000
_CLEARLY_WORSE = 2.0  # mean square of the disagreement at the ends of what is tried, over the least
SHOWN_ROUNDING = 0.002
"""Share of white: rms error of light that is shown in 8 bits with a gamma of 2.2, 2.2 L^(1 - 1/2.2) / 255 / sqrt(12),
is 0.0017 in the middle."""
AMPLITUDE_TOLERANCE = 0.02
"""Share of the amplitude by which no blur model is better trusted: lenses do not blur like a Gaussian."""


@dataclass(frozen=True, kw_only=True)
class AxisSignal:
    """What was learnt about one axis.

    Attributes
    ----------
    error : phase error curves, all zero where they do not matter.
    variance_scale : true variance of a light value over that of the noise model.
    residual_rows : (K - 2, K) as AxisLayout.amplitude_residuals, with the usual unevenness of the periods taken out.
    curve_px : 1-sigma of a position by what is left of camera's and projector's curves; 0 where periods tell it by
        disagreeing.
    """

    error: HarmonicError
    variance_scale: float
    residual_rows: Array
    curve_px: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SignalModel:
    """What was learnt about the chain.

    The variance of a light value is floor + per_light * light, with the rounding to codes in it: for a linear camera
    that is constant, for a gamma-coded one nearly proportional to light.
    """

    response: Response
    noise: Noise
    light_of_code: Array
    floor: float
    per_light: float
    axes: tuple[AxisSignal, AxisSignal]


@dataclass(frozen=True, kw_only=True)
class Solved:
    """One axis at N pixels: position and 1-sigma (pixels), misfit of the phases and of the amplitudes."""

    position_px: Array
    sigma_px: Array
    chi2: Array
    amplitude_chi2: Array


def shape_by_stripes(
    found: Response, sample: NDArray[np.unsignedinteger], axes: tuple[AxisLayout, AxisLayout]
) -> tuple[float, float]:
    """The camera's shape, and its sigma, at which the phases of (F, N) photographs agree best; not far from the found.

    Grey frames of places that differ little in brightness, with no other light on them, fit any power law: so does a
    display in a dark room. A wrong one puts a second harmonic into all stripes, and their phases contradict each other.
    """
    sample = sample[:, :: max(1, sample.shape[1] // _SHAPE_PIXELS)]
    aside = found.shape_sigma * np.linspace(-_SHAPE_SIGMAS, _SHAPE_SIGMAS, _SHAPES_TRIED)
    shapes = np.unique(np.clip(found.shape + aside, *SHAPES))
    apart = np.array([_disagreement(replace(found, shape=float(s)).table(), sample, axes) for s in shapes])
    best = int(np.argmin(apart))
    ends = apart[[0, -1]][shapes[best] != np.array(SHAPES)]  # a camera may well be linear: nothing lies beyond
    if not ends.min() > _CLEARLY_WORSE * apart[best]:
        return found.shape, found.shape_sigma
    grey, stripes = found.shape_sigma**-2, UNSURE_SHAPE**-2
    return float((grey * found.shape + stripes * shapes[best]) / (grey + stripes)), float((grey + stripes) ** -0.5)


def _disagreement(table: Array, sample: NDArray[np.unsignedinteger], axes: tuple[AxisLayout, AxisLayout]) -> float:
    """Usual mean square, px^2, by which the periods' positions differ; where they are next to none, that is large."""
    total = 0.0
    for axis in axes:
        light = [table[sample[list(frames)]] for frames in axis.frames]
        turns = np.stack([phase_of_steps(one, np.ones_like(one)).turns for one in light])
        each = refine(_rough(sample, turns, axis), turns, axis.periods_px)
        square = np.mean((each - each.mean(axis=0)) ** 2, axis=0)
        total += float(np.median(np.where(np.isfinite(square), square, axis.extent_px)))
    return total


def learn_signal_model(
    sample: NDArray[np.unsignedinteger],
    axes: tuple[AxisLayout, AxisLayout],
    response: Response,
    ends: tuple[int, int],
    repeats: Sequence[tuple[int, int]] = (),
    pool: Executor | None = None,
) -> SignalModel:
    """Learn from (F, N) photographs at N lit pixels.

    Parameters
    ----------
    ends : frame indices of black and white.
    repeats : (first, again) indices of frames shown twice.
    pool : works on both axes at once, if given.
    """
    table, quantum = response.table(), response.slope_table() * code_step(sample)
    noise = _noise(sample[:, ::_NOISE_THINNING], axes, repeats, table, quantum)
    floor, per_light = _straight_variance(noise, table, quantum)
    raw = tuple(
        AxisSignal(
            error=no_error(axis.periods_px, axis.steps),
            variance_scale=1.0,
            residual_rows=axis.amplitude_residuals(),
        )
        for axis in axes
    )
    chain = SignalModel(
        response=response, noise=noise, light_of_code=table, floor=floor, per_light=per_light, axes=(raw[0], raw[1])
    )
    variance = middle_variance(sample, ends, chain)
    every = pool.map if pool else map
    learnt = list(every(lambda axis, plain: _learn_axis(sample, axis, plain, chain, variance), axes, raw))
    return replace(chain, axes=(learnt[0], learnt[1]))


def middle_variance(codes: NDArray[np.unsignedinteger], ends: tuple[int, int], chain: SignalModel) -> Array:
    """(N,) variance of a light value halfway between black and white, the average over a sinusoid.

    The projector shows whole codes, too: their rounding is part of every light value, in proportion to the contrast.
    """
    black, white = (chain.light_of_code[codes[end]] for end in ends)
    shown = (SHOWN_ROUNDING * (white - black)) ** 2
    return np.asarray(chain.floor + chain.per_light * 0.5 * (black + white) + shown)


def solve_plainly(
    codes: NDArray[np.unsignedinteger], axis: AxisLayout, learnt: AxisSignal, chain: SignalModel, variance: Array
) -> Solved:
    """Position of one axis at N pixels by the textbook formulas, in float64; the reference for `block`.

    Parameters
    ----------
    codes : (F, N) photographs.
    variance : (N,) of one light value, before `variance_scale`.
    """
    return _solve_phases(codes, _phases(codes, axis, chain, variance), axis, learnt, variance)


def _solve_phases(
    codes: NDArray[np.unsignedinteger], phases: list[Phase], axis: AxisLayout, learnt: AxisSignal, variance: Array
) -> Solved:
    measured = np.stack([p.turns for p in phases])
    turns = learnt.error.correct(measured)
    periods = np.asarray(axis.periods_px)[:, None]
    sigma = np.stack([p.sigma_turns for p in phases]) * periods * np.sqrt(learnt.variance_scale)
    each = refine(_rough(codes, turns, axis), turns, axis.periods_px)
    with np.errstate(divide="ignore", invalid="ignore"):  # no modulation at all: no weight, no position
        weight = 1.0 / sigma**2
        total = np.sum(weight, axis=0)
        position = np.sum(weight * each, axis=0) / total
        chi2 = np.sum(weight * (each - position) ** 2, axis=0)
        sigma_px = 1.0 / np.sqrt(total)
    amplitude = np.stack([p.amplitude for p in phases]) * learnt.error.fade(measured)
    return Solved(
        position_px=position,
        sigma_px=sigma_px,
        chi2=chi2,
        amplitude_chi2=_amplitude_chi2(amplitude, axis, learnt, variance),
    )


def _amplitude_chi2(amplitude: Array, axis: AxisLayout, learnt: AxisSignal, variance: Array) -> Array:
    rates = 1.0 / np.asarray(axis.periods_px) ** 2
    usual_squared = rates @ amplitude**2 / rates.sum()
    misfit = np.sum((learnt.residual_rows @ amplitude) ** 2, axis=0)
    expected = 2.0 / axis.steps * learnt.variance_scale * variance + AMPLITUDE_TOLERANCE**2 * usual_squared
    return np.asarray(misfit / expected)


def code_step(sample: NDArray[np.unsignedinteger]) -> int:
    """Distance of the code values that occur: 16-bit files often hold 8, 10 or 12 bits, spread out."""
    present = np.unique(sample[:: max(1, len(sample) // 8)])
    return int(np.gcd.reduce(np.diff(present))) if present.size > 1 else 1


def _noise(
    sample: NDArray[np.unsignedinteger],
    axes: tuple[AxisLayout, AxisLayout],
    repeats: Sequence[tuple[int, int]],
    table: Array,
    quantum: Array,
) -> Noise:
    waves = [list(frames) for axis in axes for frames in axis.frames]
    square = quantum**2
    means = np.stack([table[sample[wave]].mean(axis=0) for wave in waves])
    found = [
        scatter_of_means(means, np.stack([square[sample[wave]].mean(axis=0) for wave in waves]), axes[0].steps),
        *(scatter_of_repeats(table[sample[a]], table[sample[b]], square[sample[a]]) for a, b in repeats),
    ]
    return estimate_noise(found)


def _straight_variance(noise: Noise, table: Array, quantum: Array) -> tuple[float, float]:
    """Floor and slope over light of the noise model's variance, rounding included."""
    codes = np.arange(len(table) // 50, len(table) - len(table) // 50, max(1, len(table) // 256))
    light, variance = table[codes], noise.variance(table[codes], quantum[codes])
    slope, floor = np.polyfit(light, variance, 1, w=1.0 / variance)
    if slope < 0:
        return float(np.mean(variance)), 0.0
    return max(float(floor), 0.2 * float(variance.min())), float(slope)


def _learn_axis(
    sample: NDArray[np.unsignedinteger], axis: AxisLayout, plain: AxisSignal, chain: SignalModel, variance: Array
) -> AxisSignal:
    phases = _phases(sample, axis, chain, variance)
    periods = np.asarray(axis.periods_px)
    amplitude = np.stack([p.amplitude for p in phases])
    error, scale, freedom = plain.error, 1.0, len(periods) - 1
    if freedom:
        turns = np.stack([p.turns for p in phases])
        sigma = np.stack([p.sigma_turns for p in phases]) * periods[:, None]
        error = _harmonic_error(sample, turns, sigma, axis)
        amplitude = amplitude * error.fade(turns)
        corrected = replace(plain, error=error)
        scale = _usual_excess(_solve_phases(sample, phases, axis, corrected, variance).chi2, freedom)
    return AxisSignal(
        error=error,
        variance_scale=scale,
        residual_rows=_centred_rows(plain.residual_rows, amplitude, axis.periods_px),
        curve_px=0.0 if freedom else _curve_doubt_px(axis),
    )


def _curve_doubt_px(axis: AxisLayout) -> float:
    """1-sigma of a position by a single period whose steps the usual curve takes for purer than they are."""
    harmonic = _SECOND_HARMONIC * _NEXT_HARMONIC ** (axis.steps - 3)  # of order steps - 1, as `harmonics` says
    return float(harmonic / (2.0 * np.pi * np.sqrt(2.0)) * axis.periods_px[0])


def _harmonic_error(
    sample: NDArray[np.unsignedinteger], turns: Array, sigma_px: Array, axis: AxisLayout
) -> HarmonicError:
    """The axis's error curves; none where they are lost in their own uncertainty."""
    few = slice(None, None, _HARMONIC_THINNING)
    positions = refine(_rough(sample[:, few], turns[:, few], axis), turns[:, few], axis.periods_px)
    error = estimate_harmonics(turns[:, few], positions, sigma_px[:, few], axis.periods_px, axis.steps)
    found_px = np.hypot(*error.coefficients_turns.T) * np.asarray(axis.periods_px)
    # a coefficient fitted to n phases is known to sqrt(2 / n) of one phase's sigma
    noise_px = float(np.median(sigma_px)) * np.sqrt(2.0 / max(1, positions.shape[1]))
    if np.max(found_px) < max(_HARMONIC_LIMIT_PX, _HARMONIC_SIGMAS * noise_px):
        return no_error(axis.periods_px, axis.steps)
    return error


def _usual_excess(chi2: Array, freedom: int) -> float:
    """Misfit over what noise alone would give, from the pixels that are not far from it."""
    chi2 = chi2[np.isfinite(chi2)]
    upper, far_off = (chi_squared_limit(freedom, chance) for chance in (_UPPER_QUARTILE, _FAR_OFF))
    scale = np.inf
    for _ in range(_PASSES):
        kept = chi2[chi2 < scale * far_off]
        if kept.size == 0:
            return 1.0
        scale = max(float(np.quantile(kept, 0.75)) / upper, 1e-3)
    return min(scale, _MOST_EXCESS)


def _centred_rows(rows: Array, amplitude: Array, periods_px: tuple[float, ...]) -> Array:
    """The rows less what they usually give: periods that the chain passes better or worse than a blur would."""
    if not len(rows):
        return rows
    usual = np.mean(amplitude, axis=0)
    strong = usual > np.median(usual)
    bias = np.median((rows @ amplitude[:, strong]) / usual[strong], axis=1) if strong.any() else np.zeros(len(rows))
    return np.asarray(rows - bias[:, None] / len(periods_px))


def _phases(codes: NDArray[np.unsignedinteger], axis: AxisLayout, chain: SignalModel, variance: Array) -> list[Phase]:
    light = [chain.light_of_code[codes[list(frames)]] for frames in axis.frames]
    return [phase_of_steps(values, np.broadcast_to(variance, values.shape)) for values in light]


def _rough(codes: NDArray[np.unsignedinteger], turns: Array, axis: AxisLayout) -> Array:
    if axis.bits:
        return cell_position(codes, axis)
    return rough_position(turns, axis.periods_px, axis.extent_px)
