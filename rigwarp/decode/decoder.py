"""Decoding a whole scan: which projector position each camera pixel sees, how surely, and why not where not."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.harmonics import HarmonicError, estimate_harmonics, no_error
from rigwarp.decode.noise import Noise, estimate_noise
from rigwarp.decode.phase import Phase, phase_of_steps
from rigwarp.decode.response import Response, estimate_response
from rigwarp.decode.unwrap import unwrap
from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array
from rigwarp.patterns import PatternSet

_MIN_CONTRAST = 0.015  # (white - black) / full scale below which a pixel is not looked at
_MIN_CONTRAST_SIGMAS = 6.0  # the same, in standard deviations of that difference
_MIN_LIT = 500  # camera pixels; fewer are no scan
_SAMPLE = 120_000  # pixels from which noise and harmonics are learnt
_CHUNK = 1 << 16  # pixels decoded at a time: the work stays in the processor's cache
_MAX_SIGMA_PX = 1.0  # a worse position is of no use to anybody
_CHI2_LIMIT = 25.0  # of 3 degrees of freedom: 1.5e-5 of good pixels are lost
_CHI2_MEDIAN = 2.366  # of 3 degrees of freedom
_NEIGHBOUR_STEPS = 4.0  # times the usual step between neighbours ...
_NEIGHBOUR_PX = 2.0  # ... plus this much are still neighbours in the projector picture
_RIM_PX = 0.5  # the outermost pixel's own half width


class Reason(IntEnum):
    """Why a camera pixel has no projector position."""

    OK = 0
    TOO_DARK = 1
    SATURATED = 2
    INCONSISTENT = 3
    OUTSIDE = 4
    STRAY = 5
    """Decoded well by itself, but far from what its neighbours see."""


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """What each camera pixel sees; all arrays (H, W) of the camera.

    Attributes
    ----------
    u_px, v_px : projector position, NaN where there is none.
    sigma_u_px, sigma_v_px : 1-sigma of it.
    reason : Reason of each pixel, uint8.
    light : linear light of white minus black, share of full scale; NaN where saturated.
    chi2 : misfit of the phases of both axes, 6 degrees of freedom; NaN where not decoded.
    response, noise : what was learnt about the chain.
    harmonics : phase error curves per axis that were taken out.
    """

    u_px: Array
    v_px: Array
    sigma_u_px: Array
    sigma_v_px: Array
    reason: NDArray[np.uint8]
    light: Array
    chi2: Array
    response: Response
    noise: Noise
    harmonics: dict[str, HarmonicError]

    @property
    def valid(self) -> NDArray[np.bool_]:
        """(H, W): True where a position was found."""
        return self.reason == Reason.OK


@dataclass(frozen=True, kw_only=True)
class _Axis:
    """One axis of the pattern set: its periods, the frames of each, and the projector's extent."""

    periods_px: tuple[float, ...]
    frames: tuple[tuple[int, ...], ...]
    extent_px: int

    @property
    def steps(self) -> int:
        return len(self.frames[0])


def decode(photos: Sequence[NDArray[np.unsignedinteger]], patterns: PatternSet) -> Decoded:
    """Decode the photographs of a pattern set.

    Parameters
    ----------
    photos : (H, W) uint8 or uint16 each
        One per frame of `patterns`, in the same order.
    patterns : what was shown.

    Raises
    ------
    InputError
        If the photographs do not match the set or each other.
    MeasurementError
        If the camera sees hardly any pattern.
    """
    _check_photos(photos, patterns)
    full_scale = int(np.iinfo(photos[0].dtype).max)
    levels = {code: photos[index] for code, index in patterns.level_indices().items()}
    axes = (_axis(patterns, "x"), _axis(patterns, "y"))
    reason = _first_look(photos, levels, axes, full_scale)
    lit = np.flatnonzero(reason == Reason.OK)
    if lit.size < _MIN_LIT:
        raise MeasurementError(_nothing_lit(reason))
    response = estimate_response(levels, reason == Reason.OK, full_scale)
    stack = np.stack([photo.ravel()[lit] for photo in photos])
    chain = _learn(stack, axes, response)

    results = [np.full((4, lit.size), np.nan) for _ in axes]  # position, sigma, chi2, amplitude-independent sigma
    for start in range(0, lit.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        for axis, error, result, scale in zip(axes, chain.errors, results, chain.variance_scale, strict=True):
            position, sigma, chi2 = _solve(stack[:, part], axis, chain, error)
            result[0, part], result[1, part], result[2, part] = position, sigma * np.sqrt(scale), chi2 / scale
    return _assemble(photos, levels, reason, lit, results, axes, response, chain)


def _check_photos(photos: Sequence[NDArray[np.unsignedinteger]], patterns: PatternSet) -> None:
    if len(photos) != len(patterns.frames):
        raise InputError(
            f"{len(photos)} photographs for {len(patterns.frames)} pattern frames: one photograph is needed per frame"
        )
    first = photos[0]
    for index, photo in enumerate(photos):
        if photo.shape != first.shape or photo.dtype != first.dtype:
            raise InputError(
                f"photograph {index:04d} is {photo.shape[::-1]} {photo.dtype}, the first one is {first.shape[::-1]} "
                f"{first.dtype}: take all of them with the same camera settings"
            )


def _axis(patterns: PatternSet, name: Literal["x", "y"]) -> _Axis:
    found = patterns.phase_indices(name)
    steps = {len(indices) for indices in found.values()}
    if len(found) != 4 or len(steps) != 1:
        raise InputError(f"patterns.json: axis {name} has {len(found)} periods, expected 4 of equally many steps")
    extent = patterns.resolution[0] if name == "x" else patterns.resolution[1]
    return _Axis(periods_px=tuple(found), frames=tuple(tuple(i) for i in found.values()), extent_px=extent)


def _first_look(
    photos: Sequence[NDArray[np.unsignedinteger]],
    levels: dict[int, NDArray[np.unsignedinteger]],
    axes: tuple[_Axis, _Axis],
    full_scale: int,
) -> NDArray[np.uint8]:
    """Which pixels the projector reaches, and which of them saturate."""
    black, white = levels[min(levels)], levels[max(levels)]
    brightest = np.maximum(white, black)
    for axis in axes:
        for index in (i for frames in axis.frames for i in frames):
            brightest = np.maximum(brightest, photos[index])
    contrast = white.astype(np.int32) - black
    reason = np.where(contrast < _MIN_CONTRAST * full_scale, Reason.TOO_DARK, Reason.OK).astype(np.uint8)
    reason[brightest == full_scale] = Reason.SATURATED
    return reason


def _nothing_lit(reason: NDArray[np.uint8]) -> str:
    saturated = np.count_nonzero(reason == Reason.SATURATED) / reason.size
    return (
        f"the camera sees the pattern on {np.count_nonzero(reason == Reason.OK)} usable pixels only "
        f"({saturated:.1%} are saturated, the rest show less than {_MIN_CONTRAST:.1%} contrast between white and "
        "black): check that the projector is on, that the camera sees the table, and the exposure"
    )


@dataclass(frozen=True, kw_only=True)
class _Chain:
    """What was learnt from a sample of pixels, used for all of them."""

    light_of_code: Array
    variance_of_code: Array
    noise: Noise
    errors: tuple[HarmonicError, HarmonicError]
    variance_scale: tuple[float, float]


def _learn(stack: NDArray[np.unsignedinteger], axes: tuple[_Axis, _Axis], response: Response) -> _Chain:
    """Noise, harmonic errors, and how far the misfit then exceeds the noise."""
    sample = stack[:, :: max(1, stack.shape[1] // _SAMPLE)]
    table = response.table()
    quantum = response.slope_table()
    waves = [list(frames) for axis in axes for frames in axis.frames]
    noise = estimate_noise(
        np.stack([table[sample[wave]].mean(axis=0) for wave in waves]),
        np.stack([(quantum[sample[wave]] ** 2).mean(axis=0) for wave in waves]),
        axes[0].steps,
    )
    plain = tuple(no_error(len(axis.periods_px), axis.steps) for axis in axes)
    chain = _Chain(
        light_of_code=table,
        variance_of_code=noise.variance(table, quantum),
        noise=noise,
        errors=(plain[0], plain[1]),
        variance_scale=(1.0, 1.0),
    )
    errors, scales = [], []
    for axis in axes:
        phases = _phases(sample, axis, chain)
        turns = np.stack([p.turns for p in phases])
        periods = np.asarray(axis.periods_px)
        sigma = np.stack([p.sigma_turns for p in phases]) * periods[:, None]
        positions = unwrap(turns, axis.periods_px, axis.extent_px)
        error = estimate_harmonics(turns, positions, sigma, periods, axis.steps)
        chi2 = _solve(sample, axis, chain, error)[2]
        errors.append(error)
        scales.append(max(float(np.nanmedian(chi2)) / _CHI2_MEDIAN, 1e-3))
    return replace(chain, errors=(errors[0], errors[1]), variance_scale=(scales[0], scales[1]))


def _phases(codes: NDArray[np.unsignedinteger], axis: _Axis, chain: _Chain) -> list[Phase]:
    steps = [codes[list(frames)] for frames in axis.frames]
    return [phase_of_steps(chain.light_of_code[code], chain.variance_of_code[code]) for code in steps]


def _solve(
    codes: NDArray[np.unsignedinteger], axis: _Axis, chain: _Chain, error: HarmonicError
) -> tuple[Array, Array, Array]:
    """Position, sigma (pixels) and chi-square of one axis at N pixels."""
    phases = _phases(codes, axis, chain)
    turns = error.correct(np.stack([p.turns for p in phases]))
    periods = np.asarray(axis.periods_px)[:, None]
    weight = 1.0 / (np.stack([p.sigma_turns for p in phases]) * periods) ** 2
    each = unwrap(turns, axis.periods_px, axis.extent_px)
    total = np.sum(weight, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # no modulation at all: no weight, no position
        position = np.sum(weight * each, axis=0) / total
        sigma = 1.0 / np.sqrt(total)
    chi2 = np.sum(weight * (each - position) ** 2, axis=0)
    return position, sigma, chi2


def _assemble(
    photos: Sequence[NDArray[np.unsignedinteger]],
    levels: dict[int, NDArray[np.unsignedinteger]],
    reason: NDArray[np.uint8],
    lit: NDArray[np.intp],
    results: list[Array],
    axes: tuple[_Axis, _Axis],
    response: Response,
    chain: _Chain,
) -> Decoded:
    """Sort the solved pixels into good and bad, and put them back into pictures."""
    verdict = np.zeros(lit.size, np.uint8)
    for axis, (position, sigma, chi2, _) in zip(axes, results, strict=True):
        outside = (position < -_RIM_PX) | (position > axis.extent_px - 1 + _RIM_PX)
        verdict[outside] = Reason.OUTSIDE
        verdict[~(chi2 < _CHI2_LIMIT)] = Reason.INCONSISTENT
    for _, sigma, _, _ in results:
        verdict[sigma > _MAX_SIGMA_PX] = Reason.TOO_DARK
    verdict[_lost_in_noise(levels, lit, chain)] = Reason.TOO_DARK
    reason = reason.copy()
    reason.ravel()[lit] = verdict
    good = verdict == Reason.OK

    def picture(values: Array) -> Array:
        image = np.full(reason.shape, np.nan)
        image.ravel()[lit[good]] = values[good]
        return image

    u, v = picture(results[0][0]), picture(results[1][0])
    stray = _strays(u, v)
    reason[stray] = Reason.STRAY
    table = chain.light_of_code
    light = table[levels[max(levels)]] - table[levels[min(levels)]]
    return Decoded(
        u_px=np.where(stray, np.nan, u),
        v_px=np.where(stray, np.nan, v),
        sigma_u_px=np.where(stray, np.nan, picture(results[0][1])),
        sigma_v_px=np.where(stray, np.nan, picture(results[1][1])),
        reason=reason,
        light=np.where(reason == Reason.SATURATED, np.nan, light),
        chi2=np.where(stray, np.nan, picture(results[0][2] + results[1][2])),
        response=response,
        noise=chain.noise,
        harmonics={"x": chain.errors[0], "y": chain.errors[1]},
    )


def _lost_in_noise(
    levels: dict[int, NDArray[np.unsignedinteger]], lit: NDArray[np.intp], chain: _Chain
) -> NDArray[np.bool_]:
    """Pixels whose white and black photographs do not differ beyond doubt."""
    white, black = levels[max(levels)].ravel()[lit], levels[min(levels)].ravel()[lit]
    difference = chain.light_of_code[white] - chain.light_of_code[black]
    noise = np.sqrt(chain.variance_of_code[white] + chain.variance_of_code[black])
    return np.asarray(difference < _MIN_CONTRAST_SIGMAS * noise)


def _strays(u_px: Array, v_px: Array) -> NDArray[np.bool_]:
    """Decoded pixels that agree with fewer than two of their four neighbours."""
    near: list[NDArray[np.bool_]] = []
    for axis in (0, 1):
        step = np.hypot(np.diff(u_px, axis=axis), np.diff(v_px, axis=axis))
        usual = float(np.nanmedian(step)) if np.isfinite(step).any() else 0.0
        near.append(step < _NEIGHBOUR_STEPS * usual + _NEIGHBOUR_PX)
    down, across = (agree.astype(np.uint8) for agree in near)
    agreeing = np.zeros(u_px.shape, np.uint8)
    agreeing[:-1] += down
    agreeing[1:] += down
    agreeing[:, :-1] += across
    agreeing[:, 1:] += across
    return np.isfinite(u_px) & (agreeing < 2)
