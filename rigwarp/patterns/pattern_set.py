"""A list of frames, its dictionary form (patterns.json) and its pictures."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.patterns.periods import choose_periods_px
from rigwarp.rig import Transfer, encode_transfer

# Code values of the uniform frames, black to white. Ascending, so that no two neighbours make a full flash.
_LEVELS = (0, 48, 88, 128, 168, 208, 232, 255)
# Share of white between which the sinusoids swing: clear of the toe and shoulder of ordinary projectors.
_LIGHT_RANGE = (0.02, 0.98)
_STEPS = 3


@dataclass(frozen=True, kw_only=True)
class LevelFrame:
    """A uniform frame of one code value, 0..255."""

    level: int


@dataclass(frozen=True, kw_only=True)
class PhaseFrame:
    """One step of a sinusoid along projector `axis`: light follows cos(2 pi (position / period - step / steps))."""

    axis: Literal["x", "y"]
    period_px: float
    step: int
    steps: int


PatternFrame = LevelFrame | PhaseFrame


@dataclass(frozen=True, kw_only=True)
class PatternSet:
    """Frames in the order they are shown.

    Attributes
    ----------
    resolution : (width, height) of the projector, pixels.
    transfer : the projector transfer curve that the sinusoids were encoded for.
    light_range : share of white at the troughs and crests of the sinusoids.
    frames : the frames.
    """

    resolution: tuple[int, int]
    transfer: Transfer
    light_range: tuple[float, float]
    frames: tuple[PatternFrame, ...]

    def picture(self, index: int) -> NDArray[np.uint8]:
        """Frame `index` as code values, (H, W) uint8."""
        width, height = self.resolution
        frame = self.frames[index]
        if isinstance(frame, LevelFrame):
            return np.full((height, width), frame.level, np.uint8)
        extent = width if frame.axis == "x" else height
        line = np.rint(255.0 * encode_transfer(self._light(frame, np.arange(extent)), self.transfer)).astype(np.uint8)
        return np.tile(line, (height, 1)) if frame.axis == "x" else np.tile(line[:, None], (1, width))

    def _light(self, frame: PhaseFrame, position_px: NDArray[np.int_]) -> Array:
        low, high = self.light_range
        wave = 0.5 + 0.5 * np.cos(2 * np.pi * (position_px / frame.period_px - frame.step / frame.steps))
        return low + (high - low) * wave

    def level_indices(self) -> dict[int, int]:
        """Code value -> index of each uniform frame, darkest first."""
        found = {f.level: i for i, f in enumerate(self.frames) if isinstance(f, LevelFrame)}
        return dict(sorted(found.items()))

    def phase_indices(self, axis: Literal["x", "y"]) -> dict[float, list[int]]:
        """Period -> indices of its frames in step order, for one axis, shortest period first."""
        found: dict[float, dict[int, int]] = {}
        for index, frame in enumerate(self.frames):
            if isinstance(frame, PhaseFrame) and frame.axis == axis:
                found.setdefault(frame.period_px, {})[frame.step] = index
        return {period: [found[period][s] for s in sorted(found[period])] for period in sorted(found)}

    def to_dict(self) -> dict[str, Any]:
        """The contents of patterns.json, without format and version."""
        frames: list[dict[str, Any]] = [
            {"kind": "level", "level": f.level}
            if isinstance(f, LevelFrame)
            else {"kind": "phase", "axis": f.axis, "period_px": f.period_px, "step": f.step, "steps": f.steps}
            for f in self.frames
        ]
        return {
            "resolution": list(self.resolution),
            "gamma": self.transfer,
            "light_range": list(self.light_range),
            "frames": frames,
        }

    @staticmethod
    def from_dict(data: Mapping[str, Any]) -> "PatternSet":
        """Back from `to_dict`.

        Raises
        ------
        InputError
            If a key is missing or has a value that no pattern set can have.
        """
        try:
            width, height = (int(n) for n in data["resolution"])
            low, high = (float(n) for n in data["light_range"])
            gamma = data["gamma"]
            frames = tuple(_frame_from_dict(f) for f in data["frames"])
            transfer: Transfer = "srgb" if gamma == "srgb" else float(gamma)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(
                f"patterns.json: not a usable pattern set ({error!r}); export the patterns again"
            ) from None
        if width < 1 or height < 1 or not 0 <= low < high <= 1:
            raise InputError("patterns.json: resolution or light_range out of range; export the patterns again")
        return PatternSet(resolution=(width, height), transfer=transfer, light_range=(low, high), frames=frames)


def _frame_from_dict(data: Mapping[str, Any]) -> PatternFrame:
    if data["kind"] == "level":
        frame = LevelFrame(level=int(data["level"]))
        if not 0 <= frame.level <= 255:
            raise ValueError(f"level {frame.level} is not 0..255")
        return frame
    if data["kind"] != "phase" or data["axis"] not in ("x", "y"):
        raise ValueError(f"unknown frame {dict(data)}")
    wave = PhaseFrame(
        axis=data["axis"], period_px=float(data["period_px"]), step=int(data["step"]), steps=int(data["steps"])
    )
    if not (wave.period_px > 2 and wave.steps >= 3 and 0 <= wave.step < wave.steps):
        raise ValueError(f"impossible phase frame {dict(data)}")
    return wave


def fast_set(resolution: tuple[int, int], transfer: Transfer) -> PatternSet:
    """The 24-frame set, 4 periods x 3 steps x 2 axes, after eight grey levels from black to white.

    Parameters
    ----------
    resolution : (width, height) of the projector.
    transfer : the projector's nominal transfer curve; the sinusoids are encoded so that their light is sinusoidal.

    Raises
    ------
    InputError
        For a projector larger than the periods reach.
    """
    axes: tuple[tuple[Literal["x", "y"], int], ...] = (("x", resolution[0]), ("y", resolution[1]))
    waves = [
        PhaseFrame(axis=axis, period_px=period, step=step, steps=_STEPS)
        for axis, extent in axes
        for period in choose_periods_px(extent)
        for step in range(_STEPS)
    ]
    levels = [LevelFrame(level=level) for level in _LEVELS]
    return PatternSet(resolution=resolution, transfer=transfer, light_range=_LIGHT_RANGE, frames=(*levels, *waves))
