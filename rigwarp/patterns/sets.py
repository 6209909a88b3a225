"""The sets of patterns to choose from."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from rigwarp.defaults import MAX_EXPOSURES, SET_NAMES
from rigwarp.errors import InputError, UsageError
from rigwarp.patterns.frames import Axis, GrayFrame, LevelFrame, PatternFrame, PhaseFrame
from rigwarp.patterns.pattern_set import PatternSet
from rigwarp.rig import Transfer

# Code values of the uniform frames, black to white. Ascending, so that no two neighbours make a full flash.
_LEVELS = (0, 48, 88, 128, 168, 208, 232, 255)
_FEWEST_LEVELS = (0, 128, 255)  # tell the camera's response half as surely as all of them
# Share of white between which the sinusoids swing: clear of the toe and shoulder of ordinary projectors.
_LIGHT_RANGE = (0.02, 0.98)
_GRAY_CELL_PX = 8.0  # bars are twice as wide: visible from across the room, and not blurred away
_GRAY_PERIODS_PX = (18.0, 25.25)  # a half period exceeds a cell, so that the code may be off by half a cell
_GRAY_STEPS = 4


def fast_set(resolution: tuple[int, int], transfer: Transfer, *, blur_px: float | None = None) -> PatternSet:
    """Eight grey levels from black to white, then 24 frames: 4 periods x 3 steps x 2 axes; two of them once more.

    Parameters
    ----------
    resolution : (width, height) of the projector.
    transfer : the projector's nominal transfer curve; the sinusoids are encoded so that their light is sinusoidal.
    blur_px : sigma of the projector's defocus, pixels, that the periods are chosen for; None: ordinary.

    Raises
    ------
    InputError
        For a projector larger than the periods reach.
    """
    return _sinusoids("fast", resolution, transfer, steps=3, blur_px=blur_px)


def short_set(resolution: tuple[int, int], transfer: Transfer, *, blur_px: float | None = None) -> PatternSet:
    """As `fast_set` with three grey levels: the fewest frames, for a camera that takes seconds for each.

    Places are as sure. The camera's response is known half as surely, and light that changes between the three levels
    is taken for it, which makes sigmas up to a third wider.
    """
    whole = _sinusoids("short", resolution, transfer, steps=3, blur_px=blur_px)
    kept = (f for f in whole.frames if not isinstance(f, LevelFrame) or f.level in _FEWEST_LEVELS)
    return replace(whole, frames=tuple(kept))


def fine_set(resolution: tuple[int, int], transfer: Transfer, *, blur_px: float | None = None) -> PatternSet:
    """As `fast_set` with 6 steps: 48 frames, whose noise is less by the square root of two, and which leave no
    harmonics below the fifth."""
    return _sinusoids("fine", resolution, transfer, steps=6, blur_px=blur_px)


def gray_set(resolution: tuple[int, int], transfer: Transfer, *, blur_px: float | None = None) -> PatternSet:
    """Gray code with inverses down to cells of 8 px, then 2 periods x 4 steps; slower, and easily checked by eye."""
    scale = 1.0 if blur_px is None else max(1.0, 2 * np.pi * blur_px / _GRAY_PERIODS_PX[0])
    frames: list[PatternFrame] = []
    axes: tuple[tuple[Axis, int], ...] = (("x", resolution[0]), ("y", resolution[1]))
    for axis, extent in axes:
        cell = round(_GRAY_CELL_PX * scale, 3)
        bits = max(1, int(np.ceil(np.log2(np.ceil(extent / cell)))))
        frames += [
            GrayFrame(axis=axis, cell_px=cell, bit=bit, bits=bits, inverted=inverted)
            for bit in reversed(range(bits))
            for inverted in (False, True)
        ]
        frames += [
            PhaseFrame(axis=axis, period_px=round(period * scale, 3), step=step, steps=_GRAY_STEPS)
            for period in _GRAY_PERIODS_PX
            for step in range(_GRAY_STEPS)
        ]
    return _with_references("gray", resolution, transfer, frames)


SETS: Final[dict[str, Callable[..., PatternSet]]] = dict(
    zip(SET_NAMES, (fast_set, fine_set, gray_set, short_set), strict=True)
)


def make_set(
    name: str,
    resolution: tuple[int, int],
    transfer: Transfer,
    *,
    blur_px: float | None = None,
    exposures: int = 1,
) -> PatternSet:
    """A set by name, repeated for each of several camera exposures.

    Raises
    ------
    UsageError
        For an unknown name or an impossible number of exposures.
    InputError
        For a projector larger than the periods reach.
    """
    if name not in SETS:
        raise UsageError(f"found the set {name!r}, expected one of: {', '.join(SETS)}")
    if not 1 <= exposures <= MAX_EXPOSURES:
        raise UsageError(f"found {exposures} exposures, expected 1 to {MAX_EXPOSURES}")
    once = SETS[name](resolution, transfer, blur_px=blur_px)
    frames = tuple(replace(frame, exposure=number) for number in range(exposures) for frame in once.frames)
    return replace(once, frames=frames)


def _sinusoids(
    name: str, resolution: tuple[int, int], transfer: Transfer, *, steps: int, blur_px: float | None
) -> PatternSet:
    axes: tuple[tuple[Axis, int], ...] = (("x", resolution[0]), ("y", resolution[1]))
    waves = [
        PhaseFrame(axis=axis, period_px=period, step=step, steps=steps)
        for axis, extent in axes
        for period in choose_periods_px(extent, blur_px=blur_px)
        for step in range(steps)
    ]
    return _with_references(name, resolution, transfer, waves)


def _with_references(
    name: str, resolution: tuple[int, int], transfer: Transfer, frames: list[PatternFrame] | list[PhaseFrame]
) -> PatternSet:
    """The grey steps before, and the first wave of each axis again at the end: what has moved meanwhile shows there."""
    levels = [LevelFrame(level=level) for level in _LEVELS]
    again = [
        next(f for f in frames if isinstance(f, PhaseFrame) and f.axis == axis and f.step == 0) for axis in ("x", "y")
    ]
    return PatternSet(
        resolution=resolution,
        transfer=transfer,
        light_range=_LIGHT_RANGE,
        frames=(*levels, *frames, *again),
        name=name,
    )


# Extent in pixels up to which each set of four serves. The first is the measured recommendation for 1280 pixels; the
# others are the widest-separated of 12,000 random quarter-pixel sets between 17.5 and 26 px.
_PERIODS_PX = (
    (1280, (18.0, 22.75, 24.25, 25.25)),
    (2048, (20.75, 24.75, 25.0, 26.0)),
    (4096, (20.75, 22.5, 23.75, 25.0)),
)


# By how much blur may stretch the periods. They are never shrunk: a sharp picture shows the projector's pixels as
# steps, which shift the phase by up to 1 / (P - 1) of the amplitude, more than a shorter period gains. Beyond three
# times nothing is won, since so blurred a picture has no use for precision.
_STRETCH = (1.0, 3.0)


def choose_periods_px(extent_px: int, *, blur_px: float | None = None) -> tuple[float, ...]:
    """Four periods (pixels) that are unambiguous over `extent_px` pixels.

    Parameters
    ----------
    extent_px : projector pixels along the axis.
    blur_px : sigma of the defocus in projector pixels. The noise of a position is least at a period of 2 pi sigma
        (amplitude exp(-2 pi^2 sigma^2 / P^2) times slope 2 pi / P); the periods are stretched towards it. None: as they
        are, best for a sigma of 3.6 px.

    Raises
    ------
    InputError
        If no set reaches that far.
    """
    reach_limit_px = _PERIODS_PX[-1][0]
    if extent_px > reach_limit_px:
        raise InputError(
            f"projector.resolution: {extent_px} px is more than the pattern periods can tell apart "
            f"({reach_limit_px} px); use a lower output resolution"
        )
    stretch = 1.0
    if blur_px is not None:
        wanted = 2 * np.pi * blur_px / float(np.mean(_PERIODS_PX[0][1]))
        stretch = float(np.clip(wanted, *_STRETCH))
    # a scaled set tells positions apart over a scaled distance
    periods = next(periods for reach_px, periods in _PERIODS_PX if extent_px / stretch <= reach_px)
    return tuple(round(period * stretch, 3) for period in periods)
