"""The kinds of pattern frame and their dictionary form."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Axis = Literal["x", "y"]


@dataclass(frozen=True, kw_only=True)
class LevelFrame:
    """A uniform frame of one code value, 0..255; `exposure` counts the camera's exposures of the set."""

    level: int
    exposure: int = 0


@dataclass(frozen=True, kw_only=True)
class PhaseFrame:
    """One step of a sinusoid along projector `axis`: light follows cos(2 pi (position / period - step / steps))."""

    axis: Axis
    period_px: float
    step: int
    steps: int
    exposure: int = 0


@dataclass(frozen=True, kw_only=True)
class GrayFrame:
    """One bit of a reflected binary code of the cell number position / cell_px; bit 0 is the finest.

    Bright where the bit is 1, or where it is 0 if `inverted`. Gray (1953), US patent 2632058: neighbouring cells
    differ in one bit, so that a bar edge never costs more than one cell.
    """

    axis: Axis
    cell_px: float
    bit: int
    bits: int
    inverted: bool
    exposure: int = 0


@dataclass(frozen=True, kw_only=True)
class PlaidFrame:
    """Waves along both axes in one picture, shown in all zones of the mirror at once: where does the camera stand?

    Scans of single zones have it in common, so that they can be laid over each other.
    """

    periods_px: tuple[float, float]
    exposure: int = 0


StripeFrame = PhaseFrame | GrayFrame
PatternFrame = LevelFrame | StripeFrame | PlaidFrame


def frame_to_dict(frame: PatternFrame) -> dict[str, Any]:
    """A frame as it stands in patterns.json."""
    found: dict[str, Any]
    if isinstance(frame, LevelFrame):
        found = {"kind": "level", "level": frame.level}
    elif isinstance(frame, PhaseFrame):
        found = {
            "kind": "phase",
            "axis": frame.axis,
            "period_px": frame.period_px,
            "step": frame.step,
            "steps": frame.steps,
        }
    elif isinstance(frame, PlaidFrame):
        found = {"kind": "plaid", "periods_px": list(frame.periods_px)}
    else:
        found = {
            "kind": "gray",
            "axis": frame.axis,
            "cell_px": frame.cell_px,
            "bit": frame.bit,
            "bits": frame.bits,
            "inverted": frame.inverted,
        }
    # left out when 0: sets of one exposure read like those written before there were several
    return found | ({"exposure": frame.exposure} if frame.exposure else {})


def frame_from_dict(data: Mapping[str, Any]) -> PatternFrame:
    """Back from `frame_to_dict`; KeyError, TypeError or ValueError for what no frame can be."""
    exposure = int(data.get("exposure", 0))
    if exposure < 0:
        raise ValueError(f"exposure {exposure} is negative")
    if data["kind"] == "level":
        frame = LevelFrame(level=int(data["level"]), exposure=exposure)
        if not 0 <= frame.level <= 255:
            raise ValueError(f"level {frame.level} is not 0..255")
        return frame
    if data["kind"] == "plaid":
        across, down = (float(period) for period in data["periods_px"])
        if not (2 < across < 1e6 and 2 < down < 1e6):
            raise ValueError(f"impossible plaid {dict(data)}")
        return PlaidFrame(periods_px=(across, down), exposure=exposure)
    if data["kind"] not in ("phase", "gray") or data["axis"] not in ("x", "y"):
        raise ValueError(f"unknown frame {dict(data)}")
    return _phase(data, exposure) if data["kind"] == "phase" else _gray(data, exposure)


def _phase(data: Mapping[str, Any], exposure: int) -> PhaseFrame:
    wave = PhaseFrame(
        axis=data["axis"],
        period_px=float(data["period_px"]),
        step=int(data["step"]),
        steps=int(data["steps"]),
        exposure=exposure,
    )
    if not (2 < wave.period_px < 1e6 and wave.steps >= 3 and 0 <= wave.step < wave.steps):
        raise ValueError(f"impossible phase frame {dict(data)}")
    return wave


def _gray(data: Mapping[str, Any], exposure: int) -> GrayFrame:
    bars = GrayFrame(
        axis=data["axis"],
        cell_px=float(data["cell_px"]),
        bit=int(data["bit"]),
        bits=int(data["bits"]),
        inverted=bool(data["inverted"]),
        exposure=exposure,
    )
    if not (1 <= bars.cell_px < 1e6 and 0 <= bars.bit < bars.bits <= 16):
        raise ValueError(f"impossible Gray code frame {dict(data)}")
    return bars
