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
_SHARE_SIGMA = 0.08  # a beam is no Gaussian, and the table's texture shines through
_MOST = 3.0  # sigmas: further off is something else
_TORN, _TORN_PX = 2.0, 3.0  # sigmas and pixels by which the zones may disagree about the line
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


def line_by_light(profile: LightProfile, stretches: int, half_px: float) -> tuple[Array, Array, float]:
    """(n,) distance of the built border from the designed one at each stretch, its variance, px^2, and by how much, px,
    ripple along the border may draw all of them to one side.

    Notes
    -----
    Posterior mean and variance over a grid of places; the width of the transition, common to all, is the likeliest.
    """
    bins = _binned(profile, 2.0 * half_px / _STEPS)
    few, places = (np.linspace(-half_px, half_px, n + 1) for n in (_STEPS, _FINE * _STEPS))
    uneven = _uneven(bins, half_px)
    least = [_costs(bins, few, width, stretches, uneven).min(axis=1).sum() for width in _WIDTHS_PX]
    width = float(_WIDTHS_PX[int(np.argmin(least))])
    prior = (places / (_PRIOR * half_px)) ** 2
    mean, variance = _posterior(_costs(bins, places, width, stretches, uneven) + prior, places)
    each = [_posterior(_costs(bins.of(s), places, width, stretches, uneven) + prior, places) for s in (False, True)]
    apart = each[1][0] - each[0][0]
    # light that fades before the line, from both sides: it is somewhere in between
    torn = np.abs(apart) > np.maximum(_TORN * np.sqrt(each[0][1] + each[1][1]), _TORN_PX)
    mean = np.where(torn, 0.5 * (each[0][0] + each[1][0]), mean)
    variance = np.where(torn, apart**2 / 12.0, variance)
    return mean, variance, _drawn_px(bins, half_px, width, uneven)


def _posterior(cost: Array, places: Array) -> tuple[Array, Array]:
    """(n,) mean and variance of places that cost (n, P)."""
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

    def of(self, second: bool) -> "_Bins":
        """Those of one zone."""
        kept = self.second == second
        return _Bins(**{name: values[kept] for name, values in vars(self).items()})


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
    """1-sigma of the gain of the light where all of it is one zone's, beyond what shares are off anyway."""
    inside = (np.abs(bins.distance_px) > half_px) & ~bins.cut
    square = float(np.mean((bins.share[inside] - 1.0) ** 2)) if inside.any() else 0.0
    return float(np.sqrt(max(square - _SHARE_SIGMA**2, 0.0)))


def _drawn_px(bins: _Bins, half_px: float, width: float, uneven: float) -> float:
    """1-sigma by which a gain that is alike all along the border shifts the line.

    A gain of 1 + e on one zone's share F(x / width) moves the line by e width (w f F) / (2 w f^2), summed over x, f
    being the slope of F and w the weight of `_costs`; the gains of both zones are independent.
    """
    inside = (np.abs(bins.distance_px) > half_px) & ~bins.cut
    column = np.unique(np.rint(bins.distance_px[inside]), return_inverse=True)[1].ravel()
    if not column.size:
        return 0.0
    count = np.bincount(column)
    off = np.bincount(column, bins.share[inside] - 1.0) / count
    alike = max(float(np.average(off**2, weights=count)) - (_SHARE_SIGMA / 2.0) ** 2, 0.0)
    x = np.linspace(-4.0, 4.0, 200)
    share, slope = ndtr(x), np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi)
    weight = slope / _variance(share, uneven)
    return float(np.sqrt(alike / 2.0) * width * (weight @ share) / (weight @ slope))


def _variance(share: Array, uneven: float) -> Array:
    """Of shares: a beam is no Gaussian, and what ripple gathers it takes from the whole of the light that is there."""
    return np.asarray(_SHARE_SIGMA**2 + (uneven * share) ** 2)


def _costs(bins: _Bins, places: Array, width: float, stretches: int, uneven: float) -> Array:
    """(n, P) what the line at each of the places costs, stretch by stretch."""
    by_second = ndtr((bins.distance_px[:, None] - places) / width)
    wanted = np.where(bins.second[:, None], by_second, 1.0 - by_second)
    off = (bins.share[:, None] - wanted) / np.sqrt(_variance(bins.share, uneven))[:, None]
    off = np.where(bins.cut[:, None], np.maximum(off, 0.0), off)
    cost = np.zeros((stretches, len(places)))
    np.add.at(cost, bins.stretch, np.minimum(off**2, _MOST**2))
    return cost
