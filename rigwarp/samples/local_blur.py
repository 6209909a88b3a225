"""A sample's added blur by its stripes' modulation, place by place: waves stretch the stripes as well as blur them."""

from dataclasses import astuple, dataclass, replace

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.samples.bench import ANGLE_SIGMA_RAD, THICKNESS_SIGMA_MM, SampleBench, Sheet
from rigwarp.samples.closed_forms import aperture_modulation, beams_modulation, disc_modulation, gaussian_modulation
from rigwarp.samples.frames import LIGHT_RANGE, PERIODS_PX, middle_px
from rigwarp.samples.registered import Registered, tiles

BLUR_PERIODS = tuple(p for p in PERIODS_PX if p <= 16)
"""Longer stripes keep some of the veil."""
_NOTHING = 0.01  # contrast that is none
_FLOOR, _NOISE = 1e-3, 2e-3  # 1-sigma of ln(contrast): of the model, and of the photographs at full contrast
_FORM = 0.05  # of the square of ln(modulation): how far a spread may be from normal
_WIDEST = 2.0  # pi D f of a beam spread evenly over a disc: what it does beyond depends on every detail
_HARDLY = 30.0  # times the uncertainty of what is not told: it counts only where there is nothing else
_FINEST = 2.4  # times the stripes' own frequency: where light is crowded more, nothing is told

_FEW = 2  # periods that a fit of two unknowns needs
_KEPT = 0.1  # of the modulation: below it the spread's form decides, not its width
_LEAST_SIGMA = 5e-4  # of ln(modulation): what a bench never does better than

Beams = tuple[Array, Array]


@dataclass(frozen=True, kw_only=True)
class AddedBlur:
    """Spread that a mirror adds along one direction of the screen.

    Attributes
    ----------
    variance_mm2, variance_sigma_mm2 : below zero where the reference blurs more.
    lost : share of light spread so widely that no stripe of the fit keeps any of it.
    """

    variance_mm2: float
    variance_sigma_mm2: float
    lost: float

    @property
    def sigma_mm(self) -> float:
        """1-sigma of the spread, negative for a negative variance."""
        return float(np.sign(self.variance_mm2) * np.sqrt(abs(self.variance_mm2)))


def added_blur(per_mm: Array, ratio: Array, ratio_sigma: Array) -> AddedBlur:
    """Blur and wide loss of stripes: -ln m = -ln(1 - lost) + 2 pi^2 variance f^2, by weighted least squares.

    The variance may differ from place to place, and its mean is found; the loss is common to all places.

    Parameters
    ----------
    per_mm : (n, ...) stripe frequencies on the screen, of n periods at any number of places.
    ratio, ratio_sigma : (n, ...) modulation of the sample over that of the reference; NaN is left out.

    Raises
    ------
    MeasurementError
        Fewer than two stripe periods keep enough modulation.
    """
    n = len(ratio)
    f, m, u = (np.reshape(a, (n, -1)) for a in (per_mm, ratio, ratio_sigma))
    good = np.isfinite(m) & (m > _KEPT)
    here = np.count_nonzero(good, axis=0) >= _FEW
    if not here.any():
        raise MeasurementError(
            f"found {np.count_nonzero(good.any(axis=1))} stripe periods that keep more than {100 * _KEPT:.0f} % of "
            "their contrast, expected two or more. It spreads light too widely for this bench: put the screen nearer."
        )
    f, m, u, good = f[:, here], np.where(good, m, 1.0)[:, here], u[:, here], good[:, here]
    weight = np.where(good, 1.0 / np.maximum(u / m, _LEAST_SIGMA) ** 2, 0.0)
    x, y = 2.0 * np.pi**2 * f**2, -np.log(m)
    w_x, w_xx, w_xy = (np.sum(weight * one, axis=0) for one in (x, x**2, x * y))
    # each place's own variance is eliminated, the loss solved for, and the variances follow (Schur complement)
    told = float(np.sum(weight.sum(axis=0) - w_x**2 / w_xx))
    loss = float(np.sum((weight * y).sum(axis=0) - w_x * w_xy / w_xx) / told)
    variance = (w_xy - loss * w_x) / w_xx
    freedom = np.count_nonzero(good) - len(variance) - 1
    grown = max(1.0, float(np.sum(weight * (y - loss - variance * x) ** 2) / freedom)) if freedom else 1.0
    square = float(np.mean(1.0 / w_xx) / len(variance) + np.mean(w_x / w_xx) ** 2 / told)
    return AddedBlur(
        variance_mm2=float(variance.mean()),
        variance_sigma_mm2=float(np.sqrt(grown * square)),
        lost=1.0 - float(np.exp(-loss)),
    )


def edge_modulation(place_mm: Array, light: Array, per_mm: Array, *, bin_mm: float) -> Array:
    """Modulation transfer by an edge, in the manner of ISO 12233: the cross-check of the stripes.

    Parameters
    ----------
    place_mm : (n,) of pixels, across the edge.
    light : (n,) linear light there.
    per_mm : (m,) frequencies that are asked for.
    bin_mm : pixels are put together in bins of this width, a quarter of their spacing or so.

    Notes
    -----
    Derivative by [-1/2 0 1/2], whose own transfer sin(2 pi f b) / (2 pi f b) is divided out, capped at 10, as is the
    bins' sinc(f b); Hamming window about the middle.
    """
    first = float(place_mm.min())
    which = ((place_mm - first) / bin_mm).astype(int)
    count = np.bincount(which)
    mean = np.bincount(which, light) / np.maximum(count, 1)
    there = count > 0
    steps = np.arange(len(mean))
    spread = np.interp(steps, steps[there], mean[there])
    slope = np.convolve(spread, [0.5, 0.0, -0.5], mode="valid")
    places = first + (steps[1:-1] + 0.5) * bin_mm
    middle = float(np.sum(places * np.abs(slope)) / np.sum(np.abs(slope)))
    reach = max(middle - places[0], places[-1] - middle)
    window = 0.54 + 0.46 * np.cos(np.pi * (places - middle) / reach)
    weighted = slope * window
    transfer = np.abs(np.exp(-2j * np.pi * np.multiply.outer(per_mm, places)) @ weighted) / abs(weighted.sum())
    derivative = np.sinc(2.0 * per_mm * bin_mm)
    return np.asarray(transfer / np.maximum(derivative * np.sinc(per_mm * bin_mm), 0.1))


@dataclass(frozen=True, kw_only=True)
class LocalStripes:
    """What becomes of one axis's stripes in a leg.

    Attributes
    ----------
    turn : (rows, columns, 2) wave vector on the screen, relative to the reference's mean.
    lost : (n, rows, columns) -ln(contrast), companions of the beam taken out.
    spread : (rows, columns) diameter of the disc that waves spread the beam over, times the frequency, in units of the
        stripes' own.
    """

    turn: Array
    lost: Array
    spread: Array

    @property
    def finer(self) -> Array:
        """(rows, columns) frequency on the screen relative to the reference's mean."""
        return np.asarray(np.linalg.norm(self.turn, axis=-1))


def stripes_of(bench: SampleBench, leg: Registered, by: Registered, axis: str, beams: Beams) -> LocalStripes:
    """One axis's stripes in a leg, on the screen as the reference `by` shows it.

    Notes
    -----
    Waves bend the beam's landing by (J - 1) per millimetre of the picture, J being the stretch. A pixel's light comes
    from a beam whose half-shadow on the screen is D L2/L1 wide, so it is spread over (J - 1) times that disc. The
    companions of a sheet leave it half their distance further along the mirror, and their landing follows J, too.
    Off the middle row the plane of incidence is turned, and the companions lie beside the beam across its plane, too.
    """
    k = 0 if axis == "x" else 1
    stretch = leg.stretch(by)
    bent = stretch - np.eye(2)
    turn = np.linalg.inv(stretch)[..., k, :]
    off_mm = (leg.nodes.v - middle_px(bench)[1]) * bench.pixel_mm
    turned = off_mm[:, None] / ((bench.near_mm + bench.far_mm) * np.tan(bench.angle_rad))
    apart = np.stack(np.broadcast_arrays(1.0, turned + np.zeros(bent.shape[:2])), axis=-1)
    apart = apart + np.einsum("...ij,...j->...i", bent, apart) / (2.0 * bench.to_mirror)
    places, strengths = beams
    away = np.sum(turn * apart, axis=-1)[..., None] * places
    per_mm = _per_mm(bench, axis)
    lost = []
    for period, rate in zip(BLUR_PERIODS, per_mm, strict=True):
        contrast = np.maximum(leg.read(leg.leg.contrast[axis, period]), _NOTHING)
        lost.append(-np.log(contrast / beams_modulation(away, strengths, rate)))
    across = np.einsum("...ij,...i->...j", bent, turn)
    return LocalStripes(
        turn=np.asarray(turn, np.float64), lost=np.array(lost), spread=bench.shadow_mm * np.linalg.norm(across, axis=-1)
    )


@dataclass(frozen=True, kw_only=True)
class StripeBlur:
    """Added blur of one axis; `waves_mm2`: the part of its variance that the visible waves make."""

    added: AddedBlur
    waves_mm2: float


def stripe_blur(bench: SampleBench, s: Registered, r: Registered, axis: str, beams: tuple[Beams, Beams]) -> StripeBlur:
    """Blur that the sample `s` adds to the reference `r` along an axis; beams of either.

    Raises
    ------
    MeasurementError
        Nowhere two stripe periods keep enough contrast.
    """
    sample, reference = (stripes_of(bench, one, r, axis, side) for one, side in zip((s, r), beams, strict=True))
    per_mm = _per_mm(bench, axis)[:, None, None]
    # what the bench itself spreads counts by the stripes' frequency on the screen
    own = spread_mm2(bench, -reference.lost.mean(axis=(1, 2)))
    lost = sample.lost - reference.lost
    lost -= 2.0 * np.pi**2 * own * per_mm**2 * (sample.finer**2 - reference.finer**2)
    lost += _beside_normal(sample, per_mm) - _beside_normal(reference, per_mm)
    told = (np.pi * per_mm * sample.spread < _WIDEST) & (sample.finer < _FINEST)
    ratio = np.exp(-np.clip(lost, -1.0, 20.0))
    sigma = ratio * _doubt(ratio, lost) * np.where(told, 1.0, _HARDLY)
    finer = np.broadcast_to(per_mm * sample.finer, lost.shape)
    found = []
    for part in zip(*(tiles(a) for a in (finer, ratio, sigma)), strict=True):
        try:
            found.append(added_blur(*part))
        except MeasurementError:  # where light is crowded most; told by the others, as long as there are any
            continue
    if not found:
        added_blur(finer, ratio, sigma)
    waves = np.square(sample.spread / 4.0) / np.square(sample.finer)
    return StripeBlur(added=_mean(found), waves_mm2=float(waves[told[-1]].mean()))


def spread_mm2(bench: SampleBench, log_contrast: Array) -> float:
    """mm^2 that bench and mirror spread light by along an axis: ln(contrast) of the stripes of `BLUR_PERIODS`."""
    low, high = LIGHT_RANGE
    periods = np.array(BLUR_PERIODS)
    kept = np.exp(log_contrast) * (high + low) / (high - low) / aperture_modulation(1.0, 1.0 / periods)
    return max(added_blur(1.0 / (bench.pixel_mm * periods), kept, _FLOOR * kept).variance_mm2, 0.0)


def companions_doubts_mm2(bench: SampleBench, sheet: Sheet, reflectance: float, variance_mm2: float = 0.0) -> Array:
    """(3,) by how much a variance in the plane changes, were index, thickness or angle 1-sigma more than stated.

    The more a sample blurs by itself, the more the long stripes count, and of these companions take the most.
    """
    if not sheet.thickness_mm > 0.0:
        return np.zeros(3)
    per_mm = _per_mm(bench, "x")
    middle = middle_px(bench)[:1]

    def kept(on: SampleBench, one: Sheet) -> Array:
        return beams_modulation(*on.beams(one, middle, reflectance), per_mm)

    others = [
        kept(bench, replace(sheet, index=sheet.index + sheet.index_sigma)),
        kept(bench, replace(sheet, thickness_mm=sheet.thickness_mm + THICKNESS_SIGMA_MM)),
        kept(replace(bench, angle_rad=bench.angle_rad + ANGLE_SIGMA_RAD), sheet),
    ]
    stated, lost = kept(bench, sheet), 2.0 * np.pi**2 * max(variance_mm2, 0.0) * per_mm**2
    sigma = _doubt(np.exp(-lost), lost)
    return np.array([added_blur(per_mm, other / stated, sigma).variance_mm2 for other in others])


def _doubt(ratio: Array, lost: Array) -> Array:
    """1-sigma of ln(contrast) where so much of it is kept: by the model, the photographs, and the spread's form."""
    return np.asarray(np.sqrt(_FLOOR**2 + (_NOISE / np.minimum(ratio, 1.0)) ** 2 + (_FORM * lost**2) ** 2))


def _per_mm(bench: SampleBench, axis: str) -> Array:
    """(n,) frequencies of the stripes on the screen by way of the reference, whose sheet makes them longer."""
    longer = 1.0 + bench.stretch(bench.reference)[0 if axis == "x" else 1]
    return np.asarray(1.0 / (bench.pixel_mm * longer * np.array(BLUR_PERIODS)))


def _beside_normal(stripes: LocalStripes, per_mm: Array) -> Array:
    """ln of what a disc of light keeps of stripes over what a normal spread of its variance would."""
    rate = per_mm * np.minimum(stripes.spread, _WIDEST / (np.pi * per_mm))
    return np.asarray(np.log(disc_modulation(1.0, rate) / gaussian_modulation(0.25, rate)))


def _mean(found: list[AddedBlur]) -> AddedBlur:
    variance, sigma, lost = (float(mean) for mean in np.mean([astuple(one) for one in found], axis=0))
    return AddedBlur(variance_mm2=variance, variance_sigma_mm2=sigma / float(np.sqrt(len(found))), lost=lost)
