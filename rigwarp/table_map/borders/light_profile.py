"""Where one piece of mirror takes over from another: at the line where each sends half of a pixel's light.

The projector's beam is up to millimetres wide on the mirror, so a pixel near a fold lights two places. Going across,
the light that comes by way of one piece falls from all to nothing while the other's rises, and both are at one half on
the line itself, whatever the beam's width. What a profile shows counts for much; that no sample was decoded somewhere,
for nothing: where both lights fall on one spot of the table there are none. So each stretch of the border has a
likelihood over all places the line might have, which is flat over a gap in the data, and a smooth line goes through.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from rigwarp.geometry import Array, BoolArray, IntArray

_STEPS = 100  # from one end of the strip to the other
_FINE = 5  # times as many for the answer
_WIDTHS_PX = np.array([0.4, 0.8, 1.5, 2.5, 4.0, 6.0, 9.0, 14.0])
_SHARE_SIGMA = 0.08  # at least: a beam is no Gaussian, and the table's texture shines through; ripple gathers light
_MOST = 3.0  # sigmas: further off is something else
_FEWEST = 3  # samples for a mean
_PRIOR = 0.5  # of the half width: how far from its designed place a border may be built, 1-sigma


@dataclass(frozen=True, kw_only=True)
class LightProfile:
    """M samples near a border.

    Attributes
    ----------
    distance_px : (M,) from the designed border, negative on the first zone's side.
    stretch : (M,) the piece of border.
    second : (M,) whether the light came by way of the second zone.
    share : (M,) of the pixel's light that did.
    cut : (M,) whether part of it may have been masked: then the share is the least it can be.
    """

    distance_px: Array
    stretch: IntArray
    second: BoolArray
    share: Array
    cut: BoolArray


def line_by_light(profile: LightProfile, stretches: int, half_px: float) -> tuple[Array, Array]:
    """(n,) distance of the built border from the designed one at each stretch, and its variance, px^2.

    Notes
    -----
    Posterior mean and variance over a grid of places; the width of the transition, common to all, is the likeliest.
    """
    bins = _binned(profile, 2.0 * half_px / _STEPS)
    few, places = (np.linspace(-half_px, half_px, n + 1) for n in (_STEPS, _FINE * _STEPS))
    sigma = _uneven(bins, half_px)
    least = [_costs(bins, few, width, stretches, sigma).min(axis=1).sum() for width in _WIDTHS_PX]
    cost = _costs(bins, places, float(_WIDTHS_PX[int(np.argmin(least))]), stretches, sigma)
    cost = cost + (places / (_PRIOR * half_px)) ** 2
    weight = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ places
    return mean, np.sum(weight * (places - mean[:, None]) ** 2, axis=1) + (places[1] - places[0]) ** 2 / 12.0


@dataclass(frozen=True, kw_only=True)
class _Bins:
    """Averages over steps of the distance: (K,) each."""

    distance_px: Array
    stretch: IntArray
    second: BoolArray
    share: Array
    cut: BoolArray


def _binned(profile: LightProfile, step: float) -> _Bins:
    column = np.floor(profile.distance_px / step).astype(int)
    keys = np.stack([profile.stretch, profile.second, profile.cut, column], axis=-1)
    names, inverse, count = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    share, distance = (np.bincount(inverse.ravel(), v) / count for v in (profile.share, profile.distance_px))
    known = count >= _FEWEST
    return _Bins(
        distance_px=distance[known],
        stretch=names[known, 0],
        second=names[known, 1] > 0,
        share=np.clip(share[known], 0.0, 1.0),
        cut=names[known, 2] > 0,
    )


def _uneven(bins: _Bins, half_px: float) -> float:
    """1-sigma of shares where all of the light is one zone's."""
    inside = (np.abs(bins.distance_px) > half_px) & ~bins.cut
    return max(_SHARE_SIGMA, float(np.sqrt(np.mean((bins.share[inside] - 1.0) ** 2)))) if inside.any() else _SHARE_SIGMA


def _costs(bins: _Bins, places: Array, width: float, stretches: int, sigma: float) -> Array:
    """(n, P) what the line at each of the places costs, stretch by stretch."""
    by_second = ndtr((bins.distance_px[:, None] - places) / width)
    wanted = np.where(bins.second[:, None], by_second, 1.0 - by_second)
    off = (bins.share[:, None] - wanted) / sigma
    off = np.where(bins.cut[:, None], np.maximum(off, 0.0), off)
    cost = np.zeros((stretches, len(places)))
    np.add.at(cost, bins.stretch, np.minimum(off**2, _MOST**2))
    return cost
