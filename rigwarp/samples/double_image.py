"""The second and third beam of a mirror behind a clear sheet, found beside single-pixel lines."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rigwarp.geometry import Array, BoolArray
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.frames import LINE_SPACING_PX
from rigwarp.samples.leg import Leg

_BIN_PX = 0.1
_REACH_PX = 10.0
_NEAREST_PX, _FURTHEST_PX = 1.0, 9.0
SEEN = 0.005
"""Of the main beam: weaker companions are called none."""


@dataclass(frozen=True, kw_only=True)
class DoubleImage:
    """Beams beside the main one, in the plane of incidence.

    Attributes
    ----------
    distance_mm, distance_sigma_mm : perpendicular to the beams; NaN where none is seen.
    front, third : strength relative to the main beam. strength_sigma : of either.
    seen : whether one of them is stronger than 0.5 % and three sigmas, wherever one looks.
    nearest_mm : nearer ones melt into the main image and count as blur.
    """

    distance_mm: float
    distance_sigma_mm: float
    front: float
    third: float
    strength_sigma: float
    seen: bool
    nearest_mm: float


def line_profile(leg: Leg, axis: str, inside: BoolArray) -> tuple[Array, Array]:
    """Places (pixels from the line's middle) and light of the mean single-pixel line, in shares of white."""
    k = 0 if axis == "x" else 1
    place = leg.position[..., k][inside]
    off = (place - LINE_SPACING_PX // 2 + LINE_SPACING_PX / 2) % LINE_SPACING_PX - LINE_SPACING_PX / 2
    light = leg.lines[axis][inside] / np.maximum(leg.white[inside], 1e-6)
    bins = np.arange(-_REACH_PX, _REACH_PX + _BIN_PX / 2, _BIN_PX)
    which = np.rint((off + _REACH_PX) / _BIN_PX).astype(int)
    good = (which >= 0) & (which < len(bins)) & np.isfinite(off)
    count = np.bincount(which[good], minlength=len(bins))
    total = np.bincount(which[good], light[good], minlength=len(bins))
    mean = total / np.maximum(count, 1)
    return bins, np.asarray(np.interp(bins, bins[count > 0], mean[count > 0]))


def find_double_image(bench: SampleBench, leg: Leg, inside: BoolArray) -> DoubleImage:
    """Companions that the whole picture shows and its quarters, too, in the same place.

    Waves spread lines unlike in the two directions, which looks like companions, but elsewhere in each quarter.
    """
    whole = _companions(bench, leg, inside)
    if not whole.seen:
        return whole
    rows = np.flatnonzero(inside.any(axis=1))
    parts = [np.zeros_like(inside) for _ in range(_QUARTERS)]
    for part, band in zip(parts, np.array_split(rows, _QUARTERS), strict=True):
        part[band] = inside[band]
    found = [one for one in (_companions(bench, leg, part) for part in parts) if one.seen]
    alike = [one for one in found if abs(one.distance_mm - whole.distance_mm) < _APART_PX * bench.pixel_mm]
    if len(alike) < _QUARTERS - 1:
        doubt = max(whole.strength_sigma, whole.front, whole.third)
        return replace(
            whole, distance_mm=np.nan, distance_sigma_mm=np.nan, front=0.0, third=0.0, strength_sigma=doubt, seen=False
        )
    table = np.array([(one.distance_mm, one.front, one.third) for one in alike])
    errors = np.std(table, axis=0, ddof=1) / np.sqrt(len(table))
    return replace(
        whole,
        distance_sigma_mm=float(max(whole.distance_sigma_mm, errors[0])),
        strength_sigma=float(max(whole.strength_sigma, errors[1], errors[2])),
    )


_QUARTERS = 4
_APART_PX = 0.5


def _companions(bench: SampleBench, leg: Leg, inside: BoolArray) -> DoubleImage:
    """Fit the line across the plane of incidence by three copies of the one along it, which has no companions."""
    places, across = line_profile(leg, "x", inside)
    _, along = line_profile(leg, "y", inside)
    core = gaussian_filter1d(along - np.quantile(along, 0.1), 1.0)
    wider = np.gradient(np.gradient(core, _BIN_PX), _BIN_PX)  # what a little more spread adds
    tries = np.arange(_NEAREST_PX, _FURTHEST_PX, 0.1)
    cost = np.array([_fit(places, across, core, wider, float(d))[1] for d in tries])
    best = int(np.argmin(cost))
    distance = float(tries[best])
    step, bend = tries[1] - tries[0], 0.0
    if 0 < best < len(tries) - 1:
        left, middle, right = cost[best - 1 : best + 2]
        bend = (left - 2 * middle + right) / step**2
        distance += float(np.clip((left - right) / (2 * step * max(bend, 1e-30)), -step, step))
    unknowns, square, spread = _fit(places, across, core, wider, distance)
    main = unknowns[0]
    front, third = unknowns[1] / main, unknowns[2] / main
    sigma = float(max(spread[1], spread[2]) / main)
    noise = square / max(len(places) - 6, 1)
    # the core is told by the other direction's line: where that is spread otherwise, nothing is told beside it
    sigma = max(sigma, _ALIKE * abs(float(unknowns[3] / main)) / _WIDER_PX2)
    strong = max(front, third) > max(SEEN, 3.0 * sigma)
    # one at the search's end is no place, and no companion takes light away
    seen = strong and 0 < best < len(tries) - 1 and min(front, third) > -sigma
    sigma = max(sigma, front, third) if strong and not seen else sigma
    distance_sigma = float(np.sqrt(2.0 * _CORRELATED * noise / max(bend, 1e-30)))
    return DoubleImage(
        distance_mm=distance * bench.pixel_mm if seen else float("nan"),
        distance_sigma_mm=distance_sigma * bench.pixel_mm if seen else float("nan"),
        front=float(front) if seen else 0.0,
        third=float(third) if seen else 0.0,
        strength_sigma=float(sigma),
        seen=bool(seen),
        nearest_mm=_NEAREST_PX * bench.pixel_mm,
    )


_WIDER_PX2 = 0.1  # half the difference of the two directions' variance that a straight-line correction still bears
_ALIKE = 0.01  # strength that is then left in doubt
_CORRELATED = 5.0  # neighbouring bins share what the core's shape gets wrong: so many count as one


def _fit(places: Array, light: Array, core: Array, wider: Array, distance: float) -> tuple[Array, float, Array]:
    def moved(by: float) -> Array:
        return np.asarray(np.interp(places - by, places, core, left=0.0, right=0.0))

    slope = np.gradient(core, _BIN_PX)
    rows = np.stack([core, moved(-distance), moved(distance), wider, slope, np.ones_like(core)], axis=-1)
    unknowns, *_ = np.linalg.lstsq(rows, light, rcond=None)
    rest = light - rows @ unknowns
    square = float(rest @ rest)
    noise = _CORRELATED * square / (len(light) - rows.shape[1])
    return unknowns, square, np.sqrt(noise * np.diag(np.linalg.inv(rows.T @ rows)))
