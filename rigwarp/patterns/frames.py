"""The kinds of pattern frame and their dictionary form."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Final, Literal

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


_KINDS: Final[dict[str, type[PatternFrame]]] = {
    "level": LevelFrame,
    "phase": PhaseFrame,
    "gray": GrayFrame,
    "plaid": PlaidFrame,
}


def frame_to_dict(frame: PatternFrame) -> dict[str, Any]:
    """A frame as it stands in patterns.json."""
    kind = next(name for name, known in _KINDS.items() if isinstance(frame, known))
    values = {name: list(value) if isinstance(value, tuple) else value for name, value in vars(frame).items()}
    # left out when 0: sets of one exposure read like those written before there were several
    exposure = values.pop("exposure")
    return {"kind": kind, **values, **({"exposure": exposure} if exposure else {})}


def frame_from_dict(data: Mapping[str, Any]) -> PatternFrame:
    """Back from `frame_to_dict`; KeyError, TypeError or ValueError for what no frame can be."""
    given = {"exposure": 0, **data}
    kind = _KINDS.get(given["kind"])
    if kind is None or given.get("axis", "x") not in ("x", "y"):
        raise ValueError(f"unknown frame {dict(data)}")
    frame = kind(**{one.name: _READ[one.name](given[one.name]) for one in fields(kind)})
    if frame.exposure < 0:
        raise ValueError(f"exposure {frame.exposure} is negative")
    match frame:
        case LevelFrame():
            possible = 0 <= frame.level <= 255
        case PlaidFrame():
            possible = all(2 < period < 1e6 for period in frame.periods_px)
        case PhaseFrame():
            possible = 2 < frame.period_px < 1e6 and frame.steps >= 3 and 0 <= frame.step < frame.steps
        case GrayFrame():
            possible = 1 <= frame.cell_px < 1e6 and 0 <= frame.bit < frame.bits <= 16
    if not possible:
        raise ValueError(f"impossible {given['kind']} frame {dict(data)}")
    return frame


def _pair(periods: Any) -> tuple[float, float]:
    across, down = (float(period) for period in periods)
    return across, down


_READ: Final[dict[str, Callable[[Any], Any]]] = {
    **dict.fromkeys(("level", "step", "steps", "bit", "bits", "exposure"), int),
    **dict.fromkeys(("period_px", "cell_px"), float),
    "axis": str,
    "inverted": bool,
    "periods_px": _pair,
}
"""How each field is read."""
