"""A sample's added blur from stripes, place by place: waves stretch the stripes as well as blur them."""

from dataclasses import dataclass, replace

import numpy as np

from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.samples.added_blur import AddedBlur, added_blur
from rigwarp.samples.bench import ANGLE_SIGMA_RAD, THICKNESS_SIGMA_MM, SampleBench, Sheet
from rigwarp.samples.closed_forms.spread import (
    aperture_modulation,
    beams_modulation,
    disc_modulation,
    gaussian_modulation,
)
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

Beams = tuple[Array, Array]


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
    def mean(key: str) -> float:
        return float(np.mean([getattr(one, key) for one in found]))

    root = float(np.sqrt(len(found)))
    return AddedBlur(
        variance_mm2=mean("variance_mm2"),
        variance_sigma_mm2=mean("variance_sigma_mm2") / root,
        lost=mean("lost"),
        lost_sigma=mean("lost_sigma") / root,
        misfit=mean("misfit"),
    )
