"""Where one piece of mirror takes over from another: at the line where each sends half of a pixel's light.

The projector's beam is up to millimetres wide on the mirror, so a pixel near a fold lights two places. Going across,
the light that comes by way of one piece falls from all to nothing while the other's rises, and both are at one half on
the line itself, whatever the beam's width. What a profile shows counts for much; that no sample was decoded somewhere,
for nothing: where both lights fall on one spot of the table there are none. So each stretch of the border has a
likelihood over all places the line might have, which is flat over a gap in the data, and a smooth line goes through.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.special import ndtr

from rigwarp.geometry import Array, BoolArray, IntArray, Rows
from rigwarp.geometry.threads import in_two_threads

STEPS = 100  # from one end of the strip to the other
_FINE = 5  # times as many for the answer
_WIDTHS_PX = np.array([0.4, 0.8, 1.5, 2.0, 2.5, 3.2, 4.0, 5.0, 6.5, 9.0, 14.0])
_SHARE_SIGMA = 0.08  # a beam is no Gaussian, and the table's texture shines through
_MIXED = 0.3  # of the light, 1-sigma, where all samples but a few are lost
_DIM = 0.2  # of the light: less is lost because it is dim
_BEAM = 0.5  # 1-sigma of the logarithm of a beam's width
_GAINS = np.geomspace(0.4, 2.5, 13)  # of the light beside the line, on which waves longer than the strip leave no trace
_GAIN, _GAIN_UNEVEN = 0.1, 1.5  # 1-sigma of its logarithm: always, and times the unevenness that is seen
_LOCAL = 3.0  # transition widths from the line
# Of the width, 1-sigma, by which one zone's half of the light may lie beyond the line, where the beam's mean is: a disk
# of light has at most 0.1 with up to three quarters of it covered, and 0.1 if it is lit from nothing to full across.
_SHAPE = 0.1
_MOST = 3.0  # sigmas: further off is something else
_TORN, _TORN_PX = 2.0, 3.0  # sigmas and pixels by which the zones may disagree about the line
_FEWEST = 3  # samples for a mean
_PRIOR = 0.5  # of the half width: how far from its designed place a border may be built, 1-sigma


@dataclass(frozen=True, kw_only=True)
class LightProfile(Rows):
    """M samples near a border.

    Attributes
    ----------
    distance_px : (M,) from the designed border, negative on the first zone's side.
    stretch : (M,) the piece of border.
    second : (M,) whether the light came by way of the second zone.
    share : (M,) of the pixel's light that did.
    sigma_px : (M,) 1-sigma of the distance, by noise.
    cut : (M,) whether part of it may have been masked: then the share is the least it can be.
    """

    distance_px: Array
    stretch: IntArray
    second: BoolArray
    share: Array
    sigma_px: Array
    cut: BoolArray


@dataclass(frozen=True, kw_only=True)
class LineByLight:
    """Where the light changes over at each of n stretches.

    Attributes
    ----------
    offset_px, variance_px2 : (n,) distance of the built border from the designed one, and its variance.
    drawn_px : by how much light that is uneven alike along the border may draw all of them to one side.
    information, crossed, shared : (n,), (n, 3), (3, 3) what the samples can tell at most (Fisher's information) of the
        offsets, px^-2, together with the logarithms of the beam's width and of both zones' gains, whose priors count.
    """

    offset_px: Array
    variance_px2: Array
    drawn_px: float
    information: Array
    crossed: Array
    shared: Array

    def bound_px(self, basis: Array, precision: Array) -> Array:
        """(n,) Cramer and Rao's bound: the least 1-sigma of a line basis (n, k) @ terms, whose priors are given."""
        rows = basis.T * self.information
        whole = np.block([[rows @ basis + precision, basis.T @ self.crossed], [self.crossed.T @ basis, self.shared]])
        covariance = np.linalg.inv(whole)[: basis.shape[1], : basis.shape[1]]
        return np.asarray(np.sqrt(np.sum(basis * (basis @ covariance), axis=-1)))


def line_by_light(profile: LightProfile, stretches: int, half_px: float, beam_px: float) -> LineByLight:
    """Where the light changes over.

    Notes
    -----
    Posterior mean and variance over a grid of places; the width of the transition, common to all, is the likeliest,
    beams being about `beam_px` wide (1-sigma).
    """
    bins = _binned(profile, 2.0 * half_px / STEPS, half_px)
    few, places = (np.linspace(-half_px, half_px, n + 1) for n in (STEPS, _FINE * STEPS))
    uneven = _uneven(bins, half_px)

    def by_zone(second: bool, where: Array, width: float) -> Array:
        return _costs(bins.only(bins.second == second), where, width, stretches, uneven)

    def least(width: float) -> float:
        cost = by_zone(False, few, width) + by_zone(True, few, width)
        return float(cost.min(axis=1).sum() + (np.log(width / beam_px) / _BEAM) ** 2)

    width = float(_WIDTHS_PX[int(np.argmin(in_two_threads(least, _WIDTHS_PX)))])
    prior = (places / (_PRIOR * half_px)) ** 2
    zones = in_two_threads(lambda second: by_zone(second, places, width), (False, True))
    mean, variance = _posterior(zones[0] + zones[1] + prior, places)
    each = [_posterior(one + prior, places) for one in zones]
    apart = each[1][0] - each[0][0]
    # light that fades before the line, from both sides: it is somewhere in between
    torn = np.abs(apart) > np.maximum(_TORN * np.sqrt(each[0][1] + each[1][1]), _TORN_PX)
    mean = np.where(torn, 0.5 * (each[0][0] + each[1][0]), mean)
    variance = np.where(torn, apart**2 / 12.0, variance)
    # the zones' lines should be one: where they differ alike all along, the light is uneven in a way not modelled
    unlike = max(float(np.median(apart**2 - each[0][1] - each[1][1])), 0.0) / 4.0
    information, crossed, shared = _information(bins, half_px, width, uneven, mean)
    return LineByLight(
        offset_px=mean,
        variance_px2=variance,
        drawn_px=float(np.hypot(_drawn_px(bins, half_px, width, uneven, mean), np.sqrt(unlike))),
        information=information,
        crossed=crossed,
        shared=shared,
    )


def _posterior(cost: Array, places: Array) -> tuple[Array, Array]:
    """(n,) mean and variance of places that cost (n, P)."""
    weight = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ places
    return mean, np.sum(weight * (places - mean[:, None]) ** 2, axis=1) + (places[1] - places[0]) ** 2 / 12.0


@dataclass(frozen=True, kw_only=True)
class _Bins(Rows):
    """Averages over steps of the distance: (K,) each; `lost` is the share of the usual samples that are missing.

    `scatter`, `position` are the variances, for one sample, of its share and of its distance, px^2.
    """

    distance_px: Array
    stretch: IntArray
    second: BoolArray
    share: Array
    cut: BoolArray
    lost: Array
    count: Array
    scatter: Array
    position: Array

    def whole(self, half_px: float) -> BoolArray:
        """(K,) where all of the light is one zone's."""
        return np.asarray((np.abs(self.distance_px) > half_px) & ~self.cut)

    def variance(self, uneven: float) -> Array:
        """(K,) of shares: a beam is no Gaussian; what ripple gathers it takes from all the light that is there; where
        samples are lost two zones' light has mixed, and what was decoded may have some of both."""
        return np.asarray(_SHARE_SIGMA**2 + (uneven * self.share) ** 2 + (_MIXED * self.lost) ** 2)


def _binned(profile: LightProfile, step: float, half_px: float) -> _Bins:
    column = np.floor(profile.distance_px / step).astype(int)
    column -= column.min(initial=0)
    shape = (int(profile.stretch.max(initial=0)) + 1, 2, 2, int(column.max(initial=0)) + 1)
    number = np.ravel_multi_index((profile.stretch, profile.second, profile.cut, column), shape)
    count = np.bincount(number)
    there = np.flatnonzero(count)
    count = count[there]
    share, distance, square, position = (
        np.bincount(number, v)[there] / count
        for v in (profile.share, profile.distance_px, profile.share**2, profile.sigma_px**2)
    )
    known = count >= _FEWEST
    inside = known & (np.abs(distance) > half_px)
    usual = np.median(count[inside]) if inside.any() else 1.0
    stretch, second, cut, _ = np.unravel_index(there[known], shape)
    return _Bins(
        distance_px=distance[known],
        stretch=stretch,
        second=second > 0,
        share=np.clip(share[known], 0.0, 1.0),
        cut=cut > 0,
        lost=np.clip(1.0 - count[known] / usual, 0.0, 1.0),
        count=count[known].astype(float),
        scatter=np.maximum(square - share**2, 0.0)[known] * count[known] / (count[known] - 1.0),
        position=position[known],
    )


def _uneven(bins: _Bins, half_px: float) -> float:
    """1-sigma of the gain of the light where all of it is one zone's, beyond what shares are off anyway."""
    inside = bins.whole(half_px)
    square = float(np.mean((bins.share[inside] - 1.0) ** 2)) if inside.any() else 0.0
    return float(np.sqrt(max(square - _SHARE_SIGMA**2, 0.0)))


def _drawn_px(bins: _Bins, half_px: float, width: float, uneven: float, line_px: Array) -> float:
    """1-sigma by which what is alike all along the border shifts the line: a gain of each zone's light, mixtures,
    and the beam's shape.

    Shares F(x / width) that are off by e, with weights w, move it by sum(w f e) / sum(w f^2), f being the slope of F.
    """
    inside = bins.whole(half_px)
    column = np.unique(np.rint(bins.distance_px[inside]), return_inverse=True)[1].ravel()
    if not column.size:
        return 0.0
    count = np.bincount(column)
    off = np.bincount(column, bins.share[inside] - 1.0) / count
    alike = max(float(np.average(off**2, weights=count)) - (_SHARE_SIGMA / 2.0) ** 2, 0.0)
    beyond = (bins.distance_px - line_px[bins.stretch]) / width
    slope = _normal(beyond)
    weight = np.where(~bins.cut & (np.abs(beyond) < _LOCAL), slope, 0.0) / bins.variance(uneven)
    errors = [
        np.where(bins.second == second, error, 0.0)
        for second in (False, True)
        for error in (np.sqrt(alike) * bins.share, _MIXED * bins.lost * (bins.share > _DIM))
    ]
    errors.append(np.where(bins.second, -_SHAPE, _SHAPE) * slope)  # both zones' light reaches too far: that cancels
    return float(width * np.linalg.norm([weight @ one for one in errors]) / max(float(weight @ slope), 1e-12))


def _information(
    bins: _Bins, half_px: float, width: float, uneven: float, line_px: Array
) -> tuple[Array, Array, Array]:
    """See `LineByLight`: shares g F(x / w) with the scatter of single samples where all of the light is one zone's."""
    inside = bins.whole(half_px)
    scatter = float(np.average(bins.scatter[inside], weights=bins.count[inside])) if inside.any() else 0.0
    sign = np.where(bins.second, 1.0, -1.0)
    beyond = sign * (bins.distance_px - line_px[bins.stretch]) / width
    slope = _normal(beyond)
    noise = np.maximum(scatter + bins.position * (slope / width) ** 2, 1e-12)
    weight = np.where(bins.cut | (np.abs(beyond) > _LOCAL), 0.0, bins.count / noise)
    whole = ndtr(beyond)
    unknown = np.stack([-beyond * slope, np.where(bins.second, 0.0, whole), np.where(bins.second, whole, 0.0)], axis=-1)
    moved = -sign * slope / width
    shape = len(line_px)
    crossed = [np.bincount(bins.stretch, weight * moved * one, shape) for one in unknown.T]
    gain = np.hypot(_GAIN, _GAIN_UNEVEN * uneven)
    shared = (unknown.T * weight) @ unknown + np.diag([_BEAM**-2.0, gain**-2.0, gain**-2.0])
    information = np.asarray(np.bincount(bins.stretch, weight * moved**2, shape), float)
    return information, np.stack(crossed, axis=-1), np.asarray(shared, float)


def _normal(x: Array) -> Array:
    """Slope of F: the density of the normal distribution."""
    return np.asarray(np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi))


def _costs(bins: _Bins, places: Array, width: float, stretches: int, uneven: float) -> Array:
    """(n, P) what the line at each of the places costs by one zone's light, stretch by stretch, its gain left open."""
    beyond = (bins.distance_px[:, None] - places) / width
    beyond = np.where(bins.second[:, None], beyond, -beyond)
    sigma = np.sqrt(bins.variance(uneven))[:, None]
    whole = ndtr(beyond) / sigma
    local = np.where(beyond < _LOCAL, whole, 0.0)  # what a gain is to be put on
    rest = bins.share[:, None] / sigma - (whole - local)
    count, cut = len(bins.share), np.flatnonzero(bins.cut)
    by_stretch = sparse.csr_matrix((np.ones(count), (bins.stretch, np.arange(count))), shape=(stretches, count))
    cost, off = np.empty((len(_GAINS), stretches, len(places))), np.empty(beyond.shape)
    for gain, summed in zip(_GAINS, cost, strict=True):
        np.subtract(rest, np.multiply(local, gain, out=off), out=off)
        off[cut] = np.maximum(off[cut], 0.0)
        summed[:] = by_stretch @ np.minimum(np.square(off, out=off), _MOST**2, out=off)
        summed += (np.log(gain) / np.hypot(_GAIN, _GAIN_UNEVEN * uneven)) ** 2
    return _least_between(cost)


def _least_between(cost: Array) -> Array:
    """(n, P) least of a cost (G, n, P) over evenly spaced gains, by the parabola through the best and both beside it.

    A step between gains is a sixth of the light, which moves a line by half a pixel.
    """
    best = np.clip(np.argmin(cost, axis=0), 1, len(cost) - 2)
    before, least, after = (np.take_along_axis(cost, (best + k)[None], axis=0)[0] for k in (-1, 0, 1))
    curved = np.maximum(before - 2.0 * least + after, 1e-9)
    at = np.clip(0.5 * (before - after) / curved, -1.0, 1.0)
    return np.asarray(least + 0.5 * at * (after - before) + 0.5 * at**2 * curved)
