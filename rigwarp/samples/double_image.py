"""The second and third beam of a mirror behind a clear sheet, found beside single-pixel lines."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigwarp.geometry import Array, BoolArray
from rigwarp.samples.bench import ANGLE_SIGMA_RAD, THICKNESS_SIGMA_MM, SampleBench
from rigwarp.samples.frames import LINE_SPACING_PX
from rigwarp.samples.leg import Leg
from rigwarp.samples.registered import Nodes

_BINS = 240  # places within the lines' spacing
_MULTIPLES = np.arange(1, 10)  # finer than 2.7 pixels lines hold little light
_NEAREST_PX, _FURTHEST_PX = 1.0, 9.0
_NOISE, _FLOOR = 0.001, 0.001  # 1-sigma of a ratio of harmonics: of itself, and in shares of the strongest one
_STRENGTH, _PLACE_PX = 0.002, 0.03  # 1-sigma that waves leave in doubt, from known pieces (bench_samples.py)
_MOST = 0.15  # of the main beam: no clear sheet before a mirror reflects more
_STEPS = 8
_FINE = 1e-4  # steps of a face's reflectance
_UNLIKE = 0.012  # of the main beam, by which two strengths may be off those of any face: no clear sheet's beyond
_BY_LINES = 0.006  # 1-sigma of either strength: waves of 0.5 mrad spread lines unlike (bench_samples.py)
_ANGLE = 2.3 * ANGLE_SIGMA_RAD  # 1-sigma share of a distance
SEEN = 0.005
"""Of the main beam: weaker companions are called none."""


@dataclass(frozen=True, kw_only=True)
class DoubleImage:
    """Beams beside the main one, in the plane of incidence.

    Attributes
    ----------
    distance_mm, distance_sigma_mm : perpendicular to the beams; NaN where none is seen.
    front, third : strength relative to the main beam; front_sigma, third_sigma.
    seen : whether one of them is stronger than 0.5 % and three sigmas, wherever one looks.
    nearest_mm : nearer ones melt into the main image and count as blur.
    """

    distance_mm: float
    distance_sigma_mm: float
    front: float
    third: float
    front_sigma: float
    third_sigma: float
    seen: bool
    nearest_mm: float


def line_harmonics(leg: Leg, axis: str, inside: BoolArray) -> Array:
    """(n,) complex amplitudes of single-pixel lines, in shares of white, at n multiples of their own frequency."""
    k = 0 if axis == "x" else 1
    off = (leg.position[..., k][inside] - LINE_SPACING_PX // 2) / LINE_SPACING_PX
    light = leg.lines[axis][inside] / np.maximum(leg.white[inside], 1e-6)
    good = np.isfinite(off)
    # means by place first: every part of a line counts alike, however waves crowd the pixels
    which = np.floor((off[good] % 1.0) * _BINS).astype(int)
    count = np.bincount(which, minlength=_BINS)
    mean = np.bincount(which, light[good], minlength=_BINS) / np.maximum(count, 1)
    there = np.flatnonzero(count)
    mean = np.interp(np.arange(_BINS), there, mean[there], period=_BINS)
    turn = -2j * np.pi * np.multiply.outer(_MULTIPLES, (np.arange(_BINS) + 0.5) / _BINS)
    return np.asarray(np.exp(turn) @ mean / _BINS)


def find_double_image(bench: SampleBench, leg: Leg, nodes: Nodes) -> DoubleImage:
    """Companions that the whole picture shows and its quarters, too, in the same place.

    Strong waves spread lines unlike in the two directions, which looks like companions, but elsewhere in each quarter.
    """
    columns, rows = _whole_lines(nodes.u), _whole_lines(nodes.v)
    whole = _companions(bench, leg, _between(leg, columns, rows))
    if not whole.seen:
        return whole
    parts = np.array_split(rows[:-1], min(_QUARTERS, max(len(rows) - 1, 1)))
    bands = [(part[0], part[-1] + LINE_SPACING_PX) for part in parts]
    found = [one for one in (_companions(bench, leg, _between(leg, columns, band)) for band in bands) if one.seen]
    alike = [one for one in found if abs(one.distance_mm - whole.distance_mm) < _APART_PX * bench.pixel_mm]
    if len(alike) < max(len(bands) - 1, 1):
        return hidden(whole)
    table = np.array([(one.distance_mm, one.front, one.third) for one in alike])
    errors = np.std(table, axis=0, ddof=min(1, len(table) - 1)) / np.sqrt(len(table))
    return replace(
        whole,
        distance_sigma_mm=float(max(whole.distance_sigma_mm, errors[0])),
        front_sigma=float(max(whole.front_sigma, errors[1])),
        third_sigma=float(max(whole.third_sigma, errors[2])),
    )


def hidden(found: DoubleImage) -> DoubleImage:
    """The same with nothing told: whatever was found may be a companion or not."""
    doubt = max(found.front_sigma, found.third_sigma, found.front, found.third)
    return replace(
        found, distance_mm=np.nan, distance_sigma_mm=np.nan, front=0.0, third=0.0, front_sigma=doubt, third_sigma=doubt,
        seen=False,
    )  # fmt: skip


def as_one_face(
    found: DoubleImage, whole: float, whole_sigma: float, expected: float = np.nan, sigma: float = np.inf
) -> DoubleImage:
    """Strengths that one reflectance of the clear face makes, of front and third beam together; hidden if none does.

    Parameters
    ----------
    whole, whole_sigma : reflectance of the whole sheet, which with the face's tells the metal's.
    expected, sigma : of the face, by the index that bench.toml states; NaN where it says nothing.

    Notes
    -----
    With face r and metal m the front is r / ((1 - r)^2 m) and the third beam r m of the main one.
    """
    if not found.seen:
        return found
    face = np.arange(0.0, _MOST, _FINE)
    metal = (whole - face) / ((1.0 - face) ** 2 + face * (whole - face))
    both = np.array([face / ((1.0 - face) ** 2 * metal), face * metal])
    off = np.hypot(*(both - [[found.front], [found.third]]))
    if off.min() > max(_UNLIKE, 3.0 * max(found.front_sigma, found.third_sigma)):
        return hidden(found)
    each = max(found.front_sigma, found.third_sigma, _BY_LINES)
    stated = 0.0 if np.isnan(expected) else 1.0 / sigma**2
    best = int(np.argmin((off / each) ** 2 + stated * (face - np.nan_to_num(expected)) ** 2))
    (front, third), slopes = both[:, best], np.gradient(both, _FINE, axis=1)[:, best]
    by_face = slopes / np.sqrt(np.sum(np.square(slopes / each)) + stated)
    front_sigma, third_sigma = np.hypot(by_face, both[:, best] * whole_sigma / whole)
    return replace(
        found, front=float(front), third=float(third), front_sigma=float(front_sigma), third_sigma=float(third_sigma)
    )


def with_thickness(found: DoubleImage, there_mm: float, thickness_mm: float) -> DoubleImage:
    """The distance that lines and bench.toml's thickness and angle tell together, where they agree."""
    if not found.seen or np.isnan(there_mm):
        return found
    sigma_mm = float(there_mm * np.hypot(THICKNESS_SIGMA_MM / thickness_mm, _ANGLE))
    if abs(found.distance_mm - there_mm) > 3.0 * np.hypot(sigma_mm, found.distance_sigma_mm):
        return found
    weights = 1.0 / np.square([found.distance_sigma_mm, sigma_mm])
    return replace(
        found,
        distance_mm=float(weights @ [found.distance_mm, there_mm] / weights.sum()),
        distance_sigma_mm=float(weights.sum() ** -0.5),
    )


def mean_of(one: DoubleImage, other: DoubleImage) -> DoubleImage:
    """Of the same sample laid in twice; what is seen but once is hidden."""
    if one.seen != other.seen:
        return hidden(one if one.seen else other)
    if not one.seen:
        return one if one.front_sigma > other.front_sigma else other
    apart_mm = max(3.0 * np.hypot(one.distance_sigma_mm, other.distance_sigma_mm), 0.1)
    if abs(one.distance_mm - other.distance_mm) > apart_mm:
        return hidden(one)
    return replace(
        one,
        distance_mm=0.5 * (one.distance_mm + other.distance_mm),
        front=0.5 * (one.front + other.front),
        third=0.5 * (one.third + other.third),
    )


def _whole_lines(side: Array) -> Array:
    """Ends of as many spacings of the lines as a side of the nodes' rectangle holds, about its middle.

    Cut anywhere else, lines across and along would be seen at unlike places, and what differs by place would look like
    a difference of the lines.
    """
    count = max(int((side[-1] - side[0]) // LINE_SPACING_PX), 1)
    return np.asarray(0.5 * (side[0] + side[-1]) + LINE_SPACING_PX * (np.arange(count + 1) - 0.5 * count))


def _between(leg: Leg, columns: Sequence[float] | Array, rows: Sequence[float] | Array) -> BoolArray:
    """Camera pixels that see the projector's columns and rows between the first and the last of these."""
    u, v = leg.position[..., 0], leg.position[..., 1]
    return np.asarray((u > columns[0]) & (u < columns[-1]) & (v > rows[0]) & (v < rows[-1]))


_QUARTERS = 4
_APART_PX = 0.5


def _companions(bench: SampleBench, leg: Leg, inside: BoolArray) -> DoubleImage:
    """Companions of lines across the plane of incidence, beside those along it, which have none."""
    across, along = (line_harmonics(leg, axis, inside) for axis in ("x", "y"))
    shown = np.abs(along)
    ratio, sigma = across / along, _NOISE + _FLOOR * shown[0] / shown
    tries = np.arange(_NEAREST_PX, _FURTHEST_PX, 0.1)
    _, costs, _ = _fit(ratio, sigma, tries)
    best = int(np.argmin(costs))
    distance, step, bend = float(tries[best]), 0.1, 0.0
    if 0 < best < len(tries) - 1:
        left, middle, right = costs[best - 1 : best + 2]
        bend = (left - 2 * middle + right) / step**2
        distance += float(np.clip((left - right) / (2 * step * max(bend, 1e-30)), -step, step))
    unknowns, cost, spread = (found[0] for found in _fit(ratio, sigma, np.array([distance])))
    front, third = float(unknowns[0]), float(unknowns[1])
    grown = max(1.0, float(cost) / (2 * len(ratio) - 5))
    sigma_each = float(np.hypot(np.sqrt(grown) * max(spread[0], spread[1]), _STRENGTH))
    strong = max(front, third) > max(SEEN, 3.0 * sigma_each)
    # one at the search's end is no place, and no companion takes light away
    seen = strong and 0 < best < len(tries) - 1 and min(front, third) > -sigma_each and max(front, third) < _MOST
    doubt = max(sigma_each, front, third) if strong and not seen else sigma_each
    distance_sigma = float(np.hypot(np.sqrt(2.0 * grown / max(bend, 1e-30)), _PLACE_PX))
    return DoubleImage(
        distance_mm=distance * bench.pixel_mm if seen else float("nan"),
        distance_sigma_mm=distance_sigma * bench.pixel_mm if seen else float("nan"),
        front=front if seen else 0.0,
        third=third if seen else 0.0,
        front_sigma=doubt,
        third_sigma=doubt,
        seen=bool(seen),
        nearest_mm=_NEAREST_PX * bench.pixel_mm,
    )


def _fit(ratio: Array, sigma: Array, distances: Array) -> tuple[Array, Array, Array]:
    """Strengths of the two companions at given distances (m,), with what else makes the two directions unlike.

    Lines across over lines along are, at frequency f, (1 + a exp(2 pi i f d) + b exp(-2 pi i f d)) / (1 + a + b), times
    exp(-2 pi^2 f^2 v) of a spread that differs by the variance v, of either sign, and exp(-2 pi i f s) of a shift:
    whatever the form of the line. By Gauss's and Newton's steps.

    Returns
    -------
    (m, 4) a, b, v, s; (m,) chi-squared; (m, 4) 1-sigma.
    """
    f = _MULTIPLES / LINE_SPACING_PX
    ahead = np.exp(2j * np.pi * np.multiply.outer(distances, f))
    unknowns = np.zeros((len(distances), 4))
    for _ in range(_STEPS):
        a, b, v, s = unknowns.T[..., None]
        total = 1.0 + a + b
        other = np.exp(-2.0 * np.pi**2 * f**2 * v - 2j * np.pi * f * s) / total
        model = (1.0 + a * ahead + b * ahead.conj()) * other
        slopes = np.stack(
            [
                ahead * other - model / total,
                ahead.conj() * other - model / total,
                -2.0 * np.pi**2 * f**2 * model,
                -2j * np.pi * f * model,
            ],
            axis=-1,
        )
        rows, rest = slopes / sigma[:, None], (ratio - model) / sigma
        normal = np.einsum("mki,mkj->mij", rows.conj(), rows).real + 1e-9 * np.eye(4)
        step = np.linalg.solve(normal, np.einsum("mki,mk->mi", rows.conj(), rest).real[..., None])[..., 0]
        unknowns = unknowns + np.clip(step, -0.1, 0.1)
    spread = np.sqrt(np.diagonal(np.linalg.inv(normal), axis1=-2, axis2=-1))
    return unknowns, np.sum(np.abs(rest) ** 2, axis=-1), spread
