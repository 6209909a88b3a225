"""What somebody at the table may correct by hand, on top of the measured map."""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, plane_rotation
from rigwarp.prewarp.gain import LOWEST_GAIN, evened, rim_share
from rigwarp.prewarp.model import Prewarp
from rigwarp.rig import Content
from rigwarp.rig.canvas import content_to_table, table_to_content

Point = tuple[float, float]
DRAG_REACH_MM = 60.0
"""Default radius over which a dragged spot takes its surroundings along."""
_ROUNDS = 100  # 0.77 ** 100 of a drag's length is nothing
MOST_DRAGS, MOST_CORNERS = 200, 1000
"""Of a correction, the corners of all masks together: far more than anybody makes by hand, looked up in seconds."""
_SAFE_REACH = 2.0
"""A drag reaches at least this many times its own length: the falloff's slope is below 1.54, so nothing folds over."""


@dataclass(frozen=True, kw_only=True)
class Drag:
    """A spot that was taken along: what was seen at `at_mm` is then seen `by_mm` further; table frame."""

    at_mm: Point
    by_mm: Point
    reach_mm: float = DRAG_REACH_MM


@dataclass(frozen=True, kw_only=True)
class Adjustment:
    """A correction by hand; the default one changes nothing.

    Attributes
    ----------
    shift_mm : how far the content is moved on the table (x, y).
    turn_deg : by how much it is turned about the content's centre, counter-clockwise seen from above.
    scale : by how much it is enlarged about the content's centre.
    drags : local corrections, in the order in which they were made.
    brightness : factor on the light, 0 .. 1.
    black_level : share of the full light that black gets, 0 .. 0.2.
    masks : polygons on the table (mm) that stay without light.
    flatten_limit : where measured light is evened out, no spot is dimmed below this share; None: as fitted.
    flatten_falloff : share of the light by which the content's rim may stay darker than its middle; None: as fitted.
    """

    shift_mm: Point = (0.0, 0.0)
    turn_deg: float = 0.0
    scale: float = 1.0
    drags: tuple[Drag, ...] = ()
    brightness: float = 1.0
    black_level: float = 0.0
    masks: tuple[tuple[Point, ...], ...] = ()
    flatten_limit: float | None = None
    flatten_falloff: float | None = None


UNCHANGED = Adjustment()
LIMITS = {
    "turn_deg": (-360.0, 360.0),
    "scale": (0.1, 10.0),
    "brightness": (0.0, 1.0),
    "black_level": (0.0, 0.2),
    "flatten_limit": (0.05, 1.0),
    "flatten_falloff": (0.0, 0.9),
}
"""Least and most of the numbers, whether keys, the remote control or a file changes them."""


def within_limits(adjustment: Adjustment, **numbers: float) -> Adjustment:
    """The correction with other numbers, each brought within its `LIMITS`."""
    kept: dict[str, Any] = {name: float(np.clip(number, *LIMITS[name])) for name, number in numbers.items()}
    return replace(adjustment, **kept)


def adjusted_canvas(canvas_px: Array, content: Content, adjustment: Adjustment) -> Array:
    """Canvas pixels (..., 2) whose content belongs, once it is corrected, where the light of `canvas_px` lands.

    `canvas_px` (..., 2) is where on the canvas that is by measurement; NaN stays NaN.
    """
    if not moves(adjustment):
        return canvas_px
    shown_mm = content_to_table(content, canvas_px)
    return table_to_content(content, unadjusted_mm(shown_mm, content, adjustment))


def unadjusted_mm(shown_mm: Array, content: Content, adjustment: Adjustment) -> Array:
    """Where the content seen at (..., 2) table positions lies without the correction: the inverse, drag by drag."""
    spot = np.asarray(shown_mm, float)
    for drag in reversed(adjustment.drags):
        spot = spot - _taken_along(spot, drag)
    back = plane_rotation(-np.radians(adjustment.turn_deg))
    centred = spot - content.centre_mm - np.array(adjustment.shift_mm)
    return centred @ back.T / adjustment.scale + content.centre_mm


def adjusted_mm(content_mm: Array, content: Content, adjustment: Adjustment) -> Array:
    """Where content that lies at (..., 2) table positions without the correction is seen with it.

    The inverse of `unadjusted_mm`. Each drag is undone there by an explicit formula, so it is found here by iteration:
    its displacement changes by at most 0.77 of a step (`_SAFE_REACH`), which makes every round a contraction.
    """
    there = plane_rotation(np.radians(adjustment.turn_deg))
    centred = np.asarray(content_mm, float) - content.centre_mm
    spot = adjustment.scale * centred @ there.T + content.centre_mm + np.array(adjustment.shift_mm)
    for drag in adjustment.drags:
        start = spot
        for _ in range(_ROUNDS):
            spot = start + _taken_along(spot, drag)
    return spot


def adjusted_gain(
    prewarp: Prewarp, canvas_px: NDArray[np.floating], content: Content, adjustment: Adjustment
) -> NDArray[np.float32]:
    """(H, W) the gain, its light evened out anew where the correction asks for it and measured light is at hand.

    `canvas_px` (H, W, 2) is what `content_coordinates` gives.
    """
    limit, falloff = adjustment.flatten_limit, adjustment.flatten_falloff
    if (limit is None and falloff is None) or prewarp.light is None or prewarp.bare_gain is None:
        return prewarp.gain
    bare, light = prewarp.bare_gain.astype(float), prewarp.light.astype(float)
    gain = evened(
        bare,
        light,
        rim_share(canvas_px.astype(float), content),
        lowest_gain=LOWEST_GAIN if limit is None else limit,
        falloff=0.0 if falloff is None else falloff,
    )
    return gain.astype(np.float32)


def hidden_mm(table_mm: Array, adjustment: Adjustment) -> BoolArray:
    """True where (..., 2) table positions lie in one of the masks; False for NaN."""
    points = np.asarray(table_mm, float).reshape(-1, 2)
    order = np.argsort(points[:, 1])  # NaN last
    x, y = points[order].T.copy()
    hidden = np.zeros(len(points), bool)
    for polygon in adjustment.masks:
        hidden |= _inside(x, y, polygon)
    back = np.empty_like(hidden)
    back[order] = hidden
    return back.reshape(np.shape(table_mm)[:-1])


def _taken_along(spot_mm: Array, drag: Drag) -> Array:
    """The drag's displacement at (..., 2) places seen after it: all of it at the drag's end, (1 - r^2)^2 around it."""
    by = np.array(drag.by_mm)
    reach = max(drag.reach_mm, _SAFE_REACH * float(np.linalg.norm(by)))
    across, along = (spot_mm[..., i] - (drag.at_mm[i] + by[i]) for i in range(2))
    falloff: Array = np.maximum(1.0 - (across**2 + along**2) / reach**2, 0.0) ** 2
    return falloff[..., None] * by


def masked(canvas_px: Array, content: Content, adjustment: Adjustment) -> BoolArray:
    """True where (..., 2) canvas positions, as measured, lie in one of the masks; False for NaN."""
    if not adjustment.masks:
        return np.zeros(canvas_px.shape[:-1], bool)
    return hidden_mm(content_to_table(content, canvas_px), adjustment)


def _inside(x: Array, y: Array, polygon: tuple[Point, ...]) -> BoolArray:
    """Even-odd rule: count the polygon's edges that a ray towards +x crosses; `y` increases, so that an edge concerns
    one stretch of the points."""
    inside = np.zeros(len(x), bool)
    for (x0, y0), (x1, y1) in pairwise([*polygon, polygon[0]]):
        if y0 == y1:
            continue
        beside = slice(*np.searchsorted(y, sorted((y0, y1))))
        inside[beside] ^= x[beside] < x0 + (y[beside] - y0) * (x1 - x0) / (y1 - y0)
    return inside & np.isfinite(x)


def moves(adjustment: Adjustment) -> bool:
    same = (adjustment.shift_mm, adjustment.turn_deg, adjustment.scale) == ((0.0, 0.0), 0.0, 1.0)
    return bool(adjustment.drags) or not same
