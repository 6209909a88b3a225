"""Light put back where it came from: a map of what a mirror sends, without what its waves make of it on the screen.

Waves crowd light on the screen, as bright and as dark as they like, and lose none. So each camera pixel's light is put
back onto the projector pixels that it came from, and a map of that is even wherever the mirror is. Where waves gather
light from several projector pixels the stripes' contrast says from how many, and it is put back onto all of them: onto
their mean alone, it would leave a ripple of half the second derivative of their variance.
"""

from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.frames import LIGHT_RANGE
from rigwarp.samples.leg import Leg, Light
from rigwarp.samples.registered import Nodes, smoothed_off
from rigwarp.samples.veil import white_around

_PERIODS_PX = (8, 12, 16)
"""Of finer stripes the contrast depends on the spread's form; longer ones keep some of the veil."""
_NOTHING = 0.02  # contrast that is none
_VEIL_MM = 7.0  # 1-sigma on the screen of light that keeps no stripes: some 11 mrad
_SMOOTH_PX = 2.0  # camera pixels: the slope of the map
_TURNS: Array = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
_RADII: Array = np.sqrt(0.5 + np.where(np.arange(12) % 2, 0.5, -0.5) / np.sqrt(3.0))
_DISC: Array = _RADII[:, None] * np.stack([np.cos(_TURNS), np.sin(_TURNS)], axis=-1)
"""Twelve points that have a disc's moments up to the fifth; its radius is 1, its variance 1/4 each way."""
_BESIDE = 8  # projector pixels beside the rectangle from which light is taken
_WIDEST_PX2 = 40.0


@dataclass(frozen=True, kw_only=True)
class SentLight:
    """What a mirror sends.

    Attributes
    ----------
    light : (rows, columns) of each projector pixel, beside the reference, to a common factor.
    smoothed_px2 : (2,) variance, projector pixels, by which that map is smoothed, there and back.
    gathered_px2 : (H, W) of where each camera pixel's light comes from, along the wider axis.
    """

    light: Array
    smoothed_px2: Array
    gathered_px2: Light


def sent_light(bench: SampleBench, sample: Leg, reference: Leg, nodes: Nodes) -> SentLight:
    """Light of a mirror by the projector pixel that sent it."""
    variance_px2, lost = _near(sample, nodes)
    screen = _screen(bench, reference, nodes)
    light = np.where(sample.lit, _core(bench, sample, lost) / np.maximum(screen, 1e-6), 0.0)
    stretch = _map_slope(sample) @ np.linalg.inv(reference.affine[:, :2])
    # a pixel's light comes by way of a half-shadow's disc, of which waves make (1 - stretch) times as much
    bent = np.eye(2) - stretch
    slanting = (bench.shadow_mm / bench.pixel_mm / 4.0) ** 2 * np.sum(bent[..., 0, :] * bent[..., 1, :], axis=-1)
    reach = _root(variance_px2[0], variance_px2[1], slanting)
    return SentLight(
        light=_put_back(sample, light, reach, nodes),
        smoothed_px2=2.0 * variance_px2[:, nodes.inside(sample)].mean(axis=1),
        gathered_px2=np.asarray(variance_px2.max(axis=0), np.float32),
    )


def _near(leg: Leg, nodes: Nodes) -> tuple[Array, float]:
    """(2, H, W) variance, projector pixels, of where a camera pixel's light comes from; and light from nowhere near.

    By -ln(contrast) = lost + 2 pi^2 variance / period^2, each pixel by itself.
    """
    low, high = LIGHT_RANGE
    x = 2.0 * (np.pi / np.array(_PERIODS_PX))[:, None, None] ** 2
    variance, lost = [], []
    for axis in ("x", "y"):
        contrast = np.array([np.maximum(leg.contrast[axis, p], _NOTHING) for p in _PERIODS_PX]) * (
            (high + low) / (high - low)
        )
        y, weight = -np.log(contrast), contrast**2
        total = weight.sum(axis=0)
        x_mean, y_mean = (weight * x).sum(axis=0) / total, (weight * y).sum(axis=0) / total
        slope = (weight * (x - x_mean) * (y - y_mean)).sum(axis=0) / (weight * (x - x_mean) ** 2).sum(axis=0)
        variance.append(np.clip(slope, 0.0, _WIDEST_PX2))
        lost.append((y_mean - slope * x_mean)[nodes.inside(leg)])
    return np.array(variance), float(np.clip(-np.expm1(-np.median(lost)), 0.0, 0.5))


def _core(bench: SampleBench, leg: Leg, lost: float) -> Array:
    """White less the light that comes from all around: it knows no waves."""
    return np.asarray(leg.white - lost * white_around(bench, leg, leg.white, _VEIL_MM), np.float64)


def _screen(bench: SampleBench, reference: Leg, nodes: Nodes) -> Array:
    """(H, W) how much of the light the screen and the camera show, by the reference; beside its picture, by a cubic."""
    area = np.abs(np.linalg.det(_map_slope(reference)))
    shown = _core(bench, reference, _near(reference, nodes)[1]) / np.maximum(area, 1e-9)
    inside = nodes.inside(reference)
    y, x = (index / max(inside.shape) - 0.5 for index in np.indices(inside.shape))
    terms = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=-1)
    fit, *_ = np.linalg.lstsq(terms[inside][::7], shown[inside][::7], rcond=None)
    return np.asarray(np.where(inside, shown, terms @ fit))


def _map_slope(leg: Leg) -> Array:
    """(H, W, 2, 2) projector pixels per camera pixel, smoothed within what is lit."""
    smooth = smoothed_off(leg, _SMOOTH_PX)
    return np.stack([np.gradient(smooth, axis=1), np.gradient(smooth, axis=0)], axis=-1) + leg.affine[:, :2]


def _root(by_u: Array, by_v: Array, slanting: Array) -> Array:
    """(..., 2, 2) symmetric root of covariances."""
    most = 0.99 * np.sqrt(by_u * by_v)
    slanting = np.clip(slanting, -most, most)
    root = np.sqrt(np.maximum(by_u * by_v - slanting**2, 1e-12))
    trace = np.sqrt(np.maximum(by_u + by_v + 2.0 * root, 1e-12))
    rows = np.stack([by_u + root, slanting, slanting, by_v + root], axis=-1) / trace[..., None]
    return np.asarray(rows.reshape(*rows.shape[:-1], 2, 2))


def _put_back(leg: Leg, light: Array, reach: Array, nodes: Nodes) -> Array:
    """(rows, columns) sums of light, each pixel's over an ellipse about its origin, with `reach` as its root."""
    size = np.array([len(nodes.u), len(nodes.v)])
    at = np.stack([leg.origin[..., 0] - nodes.u[0], leg.origin[..., 1] - nodes.v[0]], axis=-1)
    with np.errstate(invalid="ignore"):
        inside = leg.lit & np.all((at > -_BESIDE) & (at < size + _BESIDE), axis=-1)
    start, turn, share = at[inside] + _BESIDE, reach[inside], light[inside] / len(_DISC)
    wide = size + 2 * _BESIDE
    total = np.zeros(wide[0] * wide[1])
    for point in _DISC:
        place = start + turn @ (2.0 * point)
        there = np.all((place >= 0.0) & (place < wide - 1.0), axis=-1)
        whole = place[there].astype(int)
        (x, y), first, some = (place[there] - whole).T, whole[:, 1] * wide[0] + whole[:, 0], share[there]
        for step, part in ((0, (1 - x) * (1 - y)), (1, x * (1 - y)), (wide[0], (1 - x) * y), (wide[0] + 1, x * y)):
            total += np.bincount(first + step, some * part, minlength=len(total))
    return total.reshape(wide[1], wide[0])[_BESIDE:-_BESIDE, _BESIDE:-_BESIDE]
