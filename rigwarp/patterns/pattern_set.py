"""A list of frames, its dictionary form (patterns.json) and its pictures."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.arrays import GOLDEN
from rigwarp.patterns.frames import (
    Axis,
    GrayFrame,
    LevelFrame,
    PatternFrame,
    PhaseFrame,
    PlaidFrame,
    frame_from_dict,
    frame_to_dict,
)
from rigwarp.rig import Transfer, encode_transfer


@dataclass(frozen=True, kw_only=True)
class PatternSet:
    """Frames in the order they are shown.

    Attributes
    ----------
    resolution : (width, height) of the projector, pixels.
    transfer : the projector transfer curve that the sinusoids were encoded for.
    light_range : share of white at the troughs and crests of the sinusoids, and of dark and bright bars.
    frames : the frames. One that stands there a second time (of the same exposure) is a repeat: it tells whether
        something moved meanwhile.
    name : how the set is called, for people.
    """

    resolution: tuple[int, int]
    transfer: Transfer
    light_range: tuple[float, float]
    frames: tuple[PatternFrame, ...]
    name: str = "fast"

    def picture(self, index: int) -> NDArray[np.uint8]:
        """Frame `index` as code values, (H, W) uint8."""
        width, height = self.resolution
        frame = self.frames[index]
        if isinstance(frame, LevelFrame):
            return np.full((height, width), frame.level, np.uint8)
        if isinstance(frame, PlaidFrame):
            light = self.plaid_light(frame, *np.meshgrid(np.arange(width), np.arange(height)))
            return _rounded(255.0 * encode_transfer(light, self.transfer))
        extent, across = (width, height) if frame.axis == "x" else (height, width)
        low, high = self.light_range
        if isinstance(frame, PhaseFrame):
            wave = 0.5 + 0.5 * np.cos(2 * np.pi * (np.arange(extent) / frame.period_px - frame.step / frame.steps))
            drawn = _dithered(255.0 * encode_transfer(low + (high - low) * wave, self.transfer), across)
        else:
            cell = ((np.arange(extent) + 0.5) / frame.cell_px).astype(np.int64)
            bright = ((cell ^ (cell >> 1)) >> frame.bit & 1) != frame.inverted
            bars = _rounded(255.0 * encode_transfer(np.where(bright, high, low), self.transfer))
            drawn = np.tile(bars, (across, 1))
        return drawn if frame.axis == "x" else np.ascontiguousarray(drawn.T)

    def plaid_light(self, frame: PlaidFrame, u_px: NDArray[Any], v_px: NDArray[Any]) -> Array:
        """(...,) share of white of a plaid at positions."""
        low, high = self.light_range
        waves = [np.cos(2 * np.pi * at / period) for at, period in zip((u_px, v_px), frame.periods_px, strict=True)]
        return np.asarray(low + (high - low) * (0.5 + 0.25 * (waves[0] + waves[1])))

    @property
    def plaid(self) -> int | None:
        """Index of the picture that the scans of all zones show alike; None where there is none."""
        return next((i for i, frame in enumerate(self.frames) if isinstance(frame, PlaidFrame)), None)

    def with_plaid(self) -> "PatternSet":
        """The set for a scan of one zone: with a picture of all zones after the uniform frames, in every exposure."""
        frames: list[PatternFrame] = []
        plaid = (max(self.phase_indices("x")), max(self.phase_indices("y")))
        for frame in self.frames:
            if frames and isinstance(frames[-1], LevelFrame) and not isinstance(frame, LevelFrame):
                frames.append(PlaidFrame(periods_px=plaid, exposure=frame.exposure))
            frames.append(frame)
        return replace(self, frames=tuple(frames))

    def of_zone(self, index: int, lit: BoolArray) -> NDArray[np.uint8]:
        """Frame `index` with only a zone (H, W) lit; a plaid is for all of them."""
        picture = self.picture(index)
        return picture if isinstance(self.frames[index], PlaidFrame) else np.where(lit, picture, np.uint8(0))

    @property
    def exposures(self) -> tuple[int, ...]:
        """The exposure numbers that occur, ascending."""
        return tuple(sorted({frame.exposure for frame in self.frames}))

    def of_exposure(self, exposure: int) -> tuple["PatternSet", list[int]]:
        """The frames of one exposure as a set of its own (exposure 0), and their indices in this one."""
        indices = [i for i, frame in enumerate(self.frames) if frame.exposure == exposure]
        frames = tuple(replace(self.frames[i], exposure=0) for i in indices)
        return replace(self, frames=frames), indices

    def repeats(self) -> list[tuple[int, int]]:
        """(first, again) indices of the frames that are shown twice."""
        first: dict[PatternFrame, int] = {}
        return [(first[f], i) for i, f in enumerate(self.frames) if first.setdefault(f, i) != i]

    def level_indices(self) -> dict[int, int]:
        """Code value -> index of each uniform frame (where it is first shown), darkest first."""
        backwards = reversed(tuple(enumerate(self.frames)))
        return dict(sorted({frame.level: i for i, frame in backwards if isinstance(frame, LevelFrame)}.items()))

    def phase_indices(self, axis: Axis) -> dict[float, list[int]]:
        """Period -> indices of its frames in step order, for one axis, shortest period first."""
        found: dict[float, dict[int, int]] = {}
        for index, frame in enumerate(self.frames):
            if isinstance(frame, PhaseFrame) and frame.axis == axis:
                found.setdefault(frame.period_px, {}).setdefault(frame.step, index)
        return {period: [found[period][s] for s in sorted(found[period])] for period in sorted(found)}

    def gray_indices(self, axis: Axis) -> list[tuple[int, int]]:
        """(plain, inverted) indices of the bits of one axis, coarsest bit first; empty without a Gray code."""
        found: dict[int, dict[bool, int]] = {}
        for index, frame in enumerate(self.frames):
            if isinstance(frame, GrayFrame) and frame.axis == axis:
                found.setdefault(frame.bit, {}).setdefault(frame.inverted, index)
        return [(found[bit][False], found[bit][True]) for bit in sorted(found, reverse=True)]

    def to_dict(self) -> dict[str, Any]:
        """The contents of patterns.json, without format and version."""
        return {
            "set": self.name,
            "resolution": list(self.resolution),
            "gamma": self.transfer,
            "light_range": list(self.light_range),
            "frames": [frame_to_dict(f) for f in self.frames],
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
            frames = tuple(frame_from_dict(f) for f in data["frames"])
            transfer: Transfer = "srgb" if gamma == "srgb" else float(gamma)
            name = str(data.get("set", "fast"))  # sets written before there were others have no name
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            raise InputError(
                f"patterns.json: not a usable pattern set ({error!r}); export the patterns again"
            ) from None
        if width < 1 or height < 1 or not 0 <= low < high <= 1:
            raise InputError("patterns.json: resolution or light_range out of range; export the patterns again")
        return PatternSet(
            resolution=(width, height), transfer=transfer, light_range=(low, high), frames=frames, name=name
        )


def _rounded(code: Array) -> NDArray[np.uint8]:
    return np.rint(code).astype(np.uint8)


def _dithered(code: Array, rows: int) -> NDArray[np.uint8]:
    """(rows, N) whole codes whose mean over a few rows is `code` (N,).

    Plainly rounded, every row would be wrong in the same way at the same place, and no number of camera pixels would
    average that out.
    """
    offset = (np.arange(rows) * GOLDEN % 1.0).astype(np.float32)
    return np.floor(code.astype(np.float32) + offset[:, None]).astype(np.uint8)
