"""The pictures that are shown by way of each mirror, in order, and where their parts lie on the projector."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array
from rigwarp.patterns import PatternSet, PhaseFrame
from rigwarp.patterns.frames import Axis
from rigwarp.samples.bench import SampleBench

PERIODS_PX: Final = (4, 6, 8, 12, 16, 32, 64, 128)
STEPS: Final = 4
DISC_MRAD: Final = (2, 4, 8, 16, 32)
LIGHT_RANGE: Final = (0.02, 0.98)
"""Of the stripes, in shares of white."""
COLOURS: Final = ("red", "green", "blue")
LINE_SPACING_PX: Final = 24
"""Between single-pixel lines: further than any double image of a bench."""
HAZE_MRAD: Final = 8
"""Radius of the disc that is shown in red and in blue light, too."""

Kind = Literal["black", "white", "colour", "stripes", "dark disc", "bright disc", "edge", "lines"]


@dataclass(frozen=True, kw_only=True)
class SampleFrame:
    """One picture: what it shows; and its colour, axis, step, and size (period in pixels, or radius in mrad)."""

    kind: Kind
    colour: str = ""
    axis: Axis = "x"
    step: int = 0
    size: int = 0

    @property
    def words(self) -> str:
        """What it shows, for people."""
        parts = [self.colour, self.kind, f"{self.size}" if self.size else "", f"step {self.step}" * bool(self.step)]
        along = f"along {self.axis}" if self.kind in ("stripes", "edge", "lines") else ""
        return " ".join(part for part in [*parts, along] if part)


def sample_frames() -> tuple[SampleFrame, ...]:
    """All pictures of a mirror: white first and last, which tells the lamp's drift."""
    stripes = [
        SampleFrame(kind="stripes", axis=axis, size=period, step=step)
        for axis in _AXES
        for period in PERIODS_PX
        for step in range(STEPS)
    ]
    discs = [SampleFrame(kind=kind, size=size) for size in DISC_MRAD for kind in _DISCS]
    hazes = [SampleFrame(kind="dark disc", size=HAZE_MRAD, colour=colour) for colour in ("red", "blue")]
    return (
        SampleFrame(kind="white"),
        SampleFrame(kind="black"),
        *(SampleFrame(kind="colour", colour=colour) for colour in COLOURS),
        *discs,
        *hazes,
        *(SampleFrame(kind="edge", axis=axis) for axis in _AXES),
        *(SampleFrame(kind="lines", axis=axis) for axis in _AXES),
        *stripes,
        SampleFrame(kind="white", step=1),
    )


_AXES: Final[tuple[Axis, Axis]] = ("x", "y")
_DISCS: Final[tuple[Kind, Kind]] = ("dark disc", "bright disc")


def middle_px(bench: SampleBench) -> Array:
    """(2,) where the discs and edges lie: the middle of the projector's picture."""
    return (np.array(bench.resolution) - 1.0) / 2.0


def disc_radius_px(bench: SampleBench, radius_mrad: float) -> float:
    """Radius of a disc in projector pixels, seen from the mirror under this angle."""
    return radius_mrad / 1000.0 * bench.far_mm / bench.pixel_mm


def disc_pixels(bench: SampleBench, radius_mrad: float) -> NDArray[np.bool_]:
    """Which pixels of a square about the middle a disc has."""
    radius = disc_radius_px(bench, radius_mrad)
    off = [np.arange(size) - (size - 1.0) / 2.0 for size in bench.resolution]
    u, v = (side[np.abs(side) < radius] for side in off)
    return np.asarray(np.hypot(u, v[:, None]) < radius)


def frame_picture(bench: SampleBench, frame: SampleFrame) -> NDArray[np.uint8]:
    """A picture as code values: (H, W) grey, or (H, W, 3) RGB where it has a colour."""
    width, height = bench.resolution
    if frame.kind == "stripes":
        wave = PhaseFrame(axis=frame.axis, period_px=frame.size, step=frame.step, steps=STEPS)
        return PatternSet(
            resolution=bench.resolution, transfer=bench.gamma, light_range=LIGHT_RANGE, frames=(wave,)
        ).picture(0)
    lit = np.full((height, width), frame.kind in ("white", "colour", "dark disc"))
    u, v = np.arange(width) - middle_px(bench)[0], np.arange(height)[:, None] - middle_px(bench)[1]
    if frame.kind in _DISCS:
        lit ^= np.hypot(u, v) < disc_radius_px(bench, frame.size)
    elif frame.kind == "edge":
        lit |= (u if frame.axis == "x" else v) > 0.0
    elif frame.kind == "lines":
        place = np.arange(width) if frame.axis == "x" else np.arange(height)[:, None]
        lit |= place % LINE_SPACING_PX == LINE_SPACING_PX // 2
    grey = np.where(lit, np.uint8(255), np.uint8(0))
    if not frame.colour:
        return grey
    only = np.array([colour == frame.colour for colour in COLOURS])
    return np.asarray(grey[..., None] * only, np.uint8)
