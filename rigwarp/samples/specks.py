"""Specks, dust and scratches: areas of the mirror that send no light, out of focus on the screen."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import nnls

from rigwarp.geometry import Array, BoolArray
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.registered import Nodes

_TIMES = 5.0
"""Sigmas of the filtered map, on the spot, above which something is a speck: of some hundred places none by chance."""
_LEAST_SHARE = 0.0017  # 1-sigma of the filtered map that screens and calm mirrors leave
_MOST = 100
_GATHERED = (
    2e-4  # 1-sigma, times the square of a variance in pixels: where waves all but focus light, from known pieces
)
_BACKGROUND = 1.2  # 1-sigma of the smoothing that is taken off, in footprints
_SHARP: Array = np.zeros(2)


@dataclass(frozen=True, kw_only=True)
class Speck:
    """Place on the mirror (mm from the middle of what is seen) and lost area, with its 1-sigma."""

    x_mm: float
    y_mm: float
    area_mm2: float
    area_sigma_mm2: float

    @property
    def grade_mm(self) -> float:
        """Square root of the lost area, as in ISO 10110-7."""
        return float(np.sqrt(max(self.area_mm2, 0.0)))


@dataclass(frozen=True, kw_only=True)
class Specks:
    """All that were found, largest first.

    Specks of grade `least_mm` and more are seen in half of all places, of `everywhere_mm` and more also where waves
    crowd light most.
    """

    dark: tuple[Speck, ...]
    least_mm: float
    everywhere_mm: float


def seen_twice(first: Specks, second: Specks, within_mm: float) -> Specks:
    """Specks that are there each time a sample was laid in: noise and ripple's remainder are elsewhere every time."""
    dark = []
    for one in first.dark:
        again = [two for two in second.dark if np.hypot(one.x_mm - two.x_mm, one.y_mm - two.y_mm) < within_mm]
        if again:
            area = 0.5 * (one.area_mm2 + max(two.area_mm2 for two in again))
            dark.append(replace(one, area_mm2=area))
    return Specks(
        dark=tuple(dark),
        least_mm=max(first.least_mm, second.least_mm),
        everywhere_mm=max(first.everywhere_mm, second.everywhere_mm),
    )


def find_specks(
    bench: SampleBench,
    ratio: Array,
    nodes: Nodes,
    crowding: Array,
    *,
    spread_px2: Array = _SHARP,
    gathered_px2: Array | None = None,
) -> Specks:
    """Specks in a map (rows, columns) of relative reflectance, by a filter matched to the footprint.

    Parameters
    ----------
    crowding : (rows, columns) square by which waves stretch the picture.
    spread_px2 : (2,) variance by which the map itself is smoothed.
    gathered_px2 : (rows, columns) variance of where the light comes from that falls there.
    """
    template = _disc(bench, nodes)
    footprint = np.pi / 4.0 * bench.footprint_mm**2 / np.cos(bench.angle_rad)
    blur = [max(_BACKGROUND * bench.footprint_mm / pitch, 1.0) for pitch in nodes.pitch_mm]

    def raised(picture: Array) -> Array:
        return picture - cv2.GaussianBlur(picture, (0, 0), blur[0], sigmaY=blur[1], borderType=cv2.BORDER_REFLECT)

    pad = [int(3 * b) + template.shape[1 - k] for k, b in enumerate(blur)]
    alone = np.pad(template, ((pad[1], pad[1]), (pad[0], pad[0])))
    wide = np.sqrt(np.maximum(spread_px2, 1e-4))
    lonely = raised(np.asarray(cv2.GaussianBlur(alone, (0, 0), float(wide[0]), sigmaY=float(wide[1])), np.float64))
    crop = lonely[pad[1] : -pad[1], pad[0] : -pad[0]]
    power = np.sum(crop**2)
    missing = raised(1.0 - ratio / float(np.median(ratio)))
    share = np.asarray(cv2.filter2D(missing, -1, crop, borderType=cv2.BORDER_REFLECT), np.float64) / power
    rim = np.ceil(0.5 * bench.footprint_mm / nodes.pitch_mm).astype(int)
    inside = np.zeros(share.shape, bool)  # a beam that is cut off tells half of its light
    inside[rim[1] : -rim[1], rim[0] : -rim[0]] = True
    one = np.asarray(cv2.filter2D(lonely, -1, crop, borderType=cv2.BORDER_CONSTANT), np.float64) / power
    near = (
        np.zeros(share.shape) if gathered_px2 is None else cv2.dilate(gathered_px2, (template > 0.0).astype(np.uint8))
    )
    beam = bench.footprint_mm / 2.0 / nodes.pitch_mm
    # what makes the filtered map less sure: waves crowding light, and 1-sigma where they gather it
    doubt = (
        np.asarray(cv2.GaussianBlur(crowding, (0, 0), float(beam[0]), sigmaY=float(beam[1])), np.float64),
        _GATHERED * np.asarray(near, np.float64) ** 2,
    )
    dark, sigma = _peaks(share, one, inside, doubt, nodes, footprint)
    least = np.sqrt(_TIMES * footprint * sigma[inside])
    return Specks(dark=dark, least_mm=float(np.median(least)), everywhere_mm=float(least.max()))


def _local_sigma(share: Array, crowding: Array, gathered: Array, free: BoolArray) -> Array:
    """1-sigma of the filtered map, place by place, by those that are `free` of specks.

    Of what waves do to brightness something is left that grows with how they crowd light. It brightens as much as it
    darkens, and specks only darken: so the bright half tells.
    """
    bright = free & (share < 0.0)
    rows = np.column_stack([np.ones(np.count_nonzero(bright)), crowding[bright] ** 2])
    even, by_waves = nnls(rows, share[bright] ** 2)[0] if len(rows) else (0.0, 0.0)
    square = max(float(even), _LEAST_SHARE**2) + by_waves * crowding**2
    return np.asarray(np.sqrt(square + gathered**2))


def _disc(bench: SampleBench, nodes: Nodes) -> Array:
    """The footprint as the nodes see it: an ellipse, its rim shared."""
    half = [int(np.ceil(bench.footprint_mm / np.cos(bench.angle_rad) / 2.0 / pitch)) + 1 for pitch in nodes.pitch_mm]
    x = np.arange(-half[0], half[0] + 1) * nodes.pitch_mm[0] * np.cos(bench.angle_rad)
    y = np.arange(-half[1], half[1] + 1) * nodes.pitch_mm[1]
    away = bench.footprint_mm / 2.0 - np.hypot(x, y[:, None])
    return np.asarray(np.clip(away / float(np.mean(nodes.pitch_mm)) + 0.5, 0.0, 1.0))


def _peaks(
    share: Array, one: Array, inside: BoolArray, doubts: tuple[Array, Array], nodes: Nodes, footprint: float
) -> tuple[tuple[Speck, ...], Array]:
    """Specks in the filtered map, strongest first, each taken out with the bright ring that the filter makes of it.

    And the map's 1-sigma when all are out; `one` is what the filter makes of a single speck of share 1.
    """
    found: list[Speck] = []
    rest, free = share.copy(), inside.copy()
    middle, half = (np.array(share.shape[::-1]) - 1) / 2.0, np.array(one.shape) // 2
    # one and a half beams around: a speck's own remainders are no specks
    reach = np.ceil(1.5 * np.sqrt(4.0 * footprint / np.pi) / nodes.pitch_mm).astype(int)
    while True:
        sigma = _local_sigma(rest, *doubts, free if free.any() else inside)
        times = np.where(free, rest / sigma, 0.0)
        row, column = (int(i) for i in np.unravel_index(int(np.argmax(times)), times.shape))
        if not times[row, column] > _TIMES or len(found) == _MOST:
            return tuple(sorted(found, key=lambda speck: -speck.area_mm2)), sigma
        x, y = (np.array([column, row]) - middle) * nodes.pitch_mm
        area, doubt = (float(values[row, column]) * footprint for values in (rest, sigma))
        found.append(Speck(x_mm=float(x), y_mm=float(y), area_mm2=area, area_sigma_mm2=doubt))
        across, down = np.meshgrid(*(np.arange(n) - at for n, at in zip(share.shape[::-1], (column, row), strict=True)))
        there = (np.abs(down) <= half[0]) & (np.abs(across) <= half[1])
        rest[there] -= rest[row, column] * one[down[there] + half[0], across[there] + half[1]]
        free &= (np.abs(down) > reach[1]) | (np.abs(across) > reach[0])
