"""Light far from where it belongs: read in the middle of dark discs, and freed of what blur sends over their edges."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import ndtr

from rigwarp.decode.signal.response import coded, linearise
from rigwarp.geometry import Array, BoolArray
from rigwarp.samples.bench import SampleBench
from rigwarp.samples.closed_forms import beams_modulation
from rigwarp.samples.frames import DISC_MRAD, HAZE_MRAD, disc_pixels, disc_radius_px, middle_px
from rigwarp.samples.leg import BLACK_PX, Leg, Light
from rigwarp.samples.local_blur import BLUR_PERIODS, Beams, spread_mm2

_CORE = 0.6  # of a disc's radius: its middle is read ...
_SMALL_MRAD, _SMALL_CORE = 4, 0.35  # ... less of small ones, over whose edges the blur of the bench itself reaches
_MOST_CORE_PX = 4.0  # more is no middle any longer
_SURROUNDING_MM = 10.0
_HERE_MRAD = 8  # around the discs' middle, within which blur is what sends light over the edges of small ones
_VARIANCE, _UNLIKE = 0.05, 0.3  # 1-sigma share of a blur's variance, and of the waves' part: it is no normal spread
_RINGS, _TURNS = np.meshgrid(np.sqrt((np.arange(4) + 0.5) / 4.0), (np.arange(12) + 0.5) * np.pi / 6.0)
_CORE_POINTS: Array = np.stack([_RINGS * np.cos(_TURNS), _RINGS * np.sin(_TURNS)], axis=-1).reshape(-1, 2)
"""Spread evenly over a disc of radius 1."""
_ACROSS: Array = np.linspace(-1.0, 1.0, 201)
_FAINT = 0.01  # of white: where the camera's curve is straight
_TAIL_MRAD = (6.0, 25.0)  # 1-sigma of what is spread widely: narrower is the core's, wider is even over the picture
_ANOTHER = 1.15  # times that 1-sigma: the veil is read with both, and what this changes is in doubt


@dataclass(frozen=True, kw_only=True)
class NearLight:
    """A leg and how it spreads light near by, bench and mirror together.

    Attributes
    ----------
    away_px : (H, W) projector pixels from the discs' middle. around : (H, W) white, smoothed over a wide surrounding.
    here_mm2, whole_mm2 : (2,) variance by axis on the screen, around the discs and on the whole.
    waves_mm2 : (2,) what waves make of the former, which is no normal spread.
    places_mm, strengths : (n,) of its beams, in the plane of incidence; all strengths together are 1.
    beyond : share of white in the middle of dark discs of 8 mrad and of the widest.
    """

    leg: Leg
    away_px: Array
    around: Light
    here_mm2: Array
    whole_mm2: Array
    waves_mm2: Array
    places_mm: Array
    strengths: Array
    beyond: tuple[float, float]


_Both = tuple[NearLight, NearLight]
"""Of a sample and of the reference."""


def near_light(bench: SampleBench, leg: Leg, beams: Beams) -> NearLight:
    """How a leg spreads light near by; `beams` by projector columns, of which the middle's count."""
    places, strengths = beams[0][len(beams[0]) // 2], beams[1] / np.sum(beams[1])
    away_px = np.hypot(*(leg.position - middle_px(bench)).transpose(2, 0, 1))
    within = [np.asarray(away_px < disc_radius_px(bench, mrad)) for mrad in (_HERE_MRAD, DISC_MRAD[-1])]
    here, whole = (_spread_within(bench, leg, there, places, strengths) for there in within)
    around = white_around(bench, leg, leg.white)
    near, far = (
        _disc_light(bench, leg, away_px, leg.dark[mrad], around, mrad)[0] for mrad in (HAZE_MRAD, DISC_MRAD[-1])
    )
    return NearLight(
        leg=leg,
        away_px=away_px,
        around=around,
        here_mm2=here,
        whole_mm2=whole,
        waves_mm2=np.minimum(_waves_within(bench, leg, within[0]), here),
        places_mm=places,
        strengths=strengths,
        beyond=(near, far),
    )


def _spread_within(bench: SampleBench, leg: Leg, there: BoolArray, places: Array, strengths: Array) -> Array:
    per_mm = 1.0 / (bench.pixel_mm * np.array(BLUR_PERIODS))
    sides = []
    for axis, side in (("x", places), ("y", np.zeros_like(places))):
        contrast = np.array([np.mean(np.log(np.maximum(leg.contrast[axis, p][there], 1e-3))) for p in BLUR_PERIODS])
        sides.append(spread_mm2(bench, contrast - np.log(beams_modulation(side, strengths, per_mm))))
    return np.array(sides)


def _waves_within(bench: SampleBench, leg: Leg, there: BoolArray) -> Array:
    """(2,) mm^2 that waves spread light by: the beam's half-shadow times how much they stretch the picture there."""
    seen = np.where(leg.lit[..., None], leg.position, 0.0)
    turn = [np.stack([cv2.GaussianBlur(np.gradient(seen[..., k], axis=a), (0, 0), 2.0)[there] for a in (1, 0)], -1)
            for k in (0, 1)]  # fmt: skip
    bent = np.linalg.inv(np.stack(turn, axis=-2) @ np.linalg.inv(leg.affine[:, :2])) - np.eye(2)
    return np.asarray(np.mean(np.sum(bent**2, axis=-1), axis=0) * (bench.shadow_mm / 4.0) ** 2)


def veil_of(bench: SampleBench, sample: NearLight, reference: NearLight) -> tuple[Array, Array]:
    """(5,) share of light beyond the discs' radii that a sample sends more than the reference, and its 1-sigma."""
    pair = (sample, reference)
    around = [one.around for one in pair]
    rows = [_more_than(bench, pair, [one.leg.dark[mrad] for one in pair], around, mrad) for mrad in DISC_MRAD]
    wide = _tail_mrad(np.array(rows)[:, 0])
    found = [_as_of_round_discs(bench, pair, row, mrad, wide) for row, mrad in zip(rows, DISC_MRAD, strict=True)]
    return np.array(found)[:, 0], np.array(found)[:, 1]


def haze_of(bench: SampleBench, sample: NearLight, reference: NearLight) -> tuple[Array, float]:
    """(2,) the same beyond 8 mrad in red and in blue light, and the 1-sigma of either."""
    pair = (sample, reference)
    rows = []
    for colour, k in (("red", 0), ("blue", 2)):
        pictures = [one.leg.haze[colour] for one in pair]
        around = [white_around(bench, one.leg, one.leg.colours[k]) for one in pair]
        row = _more_than(bench, pair, pictures, around, HAZE_MRAD)
        rows.append(_as_of_round_discs(bench, pair, row, HAZE_MRAD, float(np.sqrt(np.prod(_TAIL_MRAD)))))
    return np.array([row[0] for row in rows]), max(row[1] for row in rows)


def _more_than(
    bench: SampleBench, pair: _Both, pictures: Sequence[Light], around: Sequence[Light], radius_mrad: float
) -> tuple[float, float]:
    """Light in a dark disc's middle by a sample, less a reference's and what blur sends there; and its 1-sigma."""
    (h_s, u_s), (h_r, u_r) = (
        _disc_light(bench, one.leg, one.away_px, picture, white, radius_mrad)
        for one, picture, white in zip(pair, pictures, around, strict=True)
    )
    blurred, blurred_sigma = _by_blur(bench, radius_mrad, *pair)
    # what the camera spreads over the whole picture is missing in the light of either: more than reaches the middle of
    # the widest disc, and less than that of a small one, where the mirror's own veil is, too
    near, far = (min(one.beyond[k] for one in pair) for k in (0, 1))
    veil = (h_s - h_r) / (1.0 - 0.5 * (near + far))
    doubt = veil * (near - far) / np.sqrt(12.0)
    # and it comes from nowhere in particular: from about the disc, or from all over, where waves crowd light otherwise
    crowded = [np.log(np.mean(one.leg.white) / np.mean(one.around[one.away_px < _MOST_CORE_PX])) for one in pair]
    elsewhere = far * (crowded[0] - crowded[1]) / np.sqrt(3.0)
    return veil - blurred, float(np.linalg.norm([u_s, u_r, blurred_sigma, doubt, elsewhere]))


def _tail_mrad(veil: Array) -> float:
    """1-sigma of what is spread widely, by how much less of it falls beyond 16 mrad than beyond 8."""
    low, high = _TAIL_MRAD
    near, far = (max(abs(float(veil[DISC_MRAD.index(mrad)])), 1e-6) for mrad in (8, 16))
    square = (16.0**2 - 8.0**2) / 2.0
    return float(np.sqrt(square / np.clip(np.log(near / far), square / high**2, square / low**2)))


def _as_of_round_discs(
    bench: SampleBench, pair: _Both, found: tuple[float, float], radius_mrad: float, wide: float
) -> tuple[float, float]:
    """The veil were the disc round, its very middle read and the light around it even; and its 1-sigma.

    Waves shift a disc's edge and crowd the light behind it, and over the part that is read there is more than in the
    middle: a normal spread of 1-sigma `wide` (mrad), laid over white less the disc, says how much. The white is that
    of the mirror that spreads more.
    """
    veil, sigma = found
    one, leg = (pair[0], pair[0].leg) if veil > 0.0 else (pair[1], pair[1].leg)
    there = one.away_px < _core_px(bench, radius_mrad)
    around = float(np.mean(one.around[there]))
    # where a mirror is bent its own picture is larger or smaller, and the screen is not
    turns = [np.linalg.det(either.leg.affine[:, :2]) for either in pair]
    mm = bench.pixel_mm * float(abs(turns[0] * turns[1])) ** 0.25
    away = np.hypot(*(np.rint(leg.position) - middle_px(bench)).transpose(2, 0, 1))
    light = np.where(away < disc_radius_px(bench, radius_mrad), np.float32(0.0), leg.white)

    def times(mrad: float) -> float:
        here = float(np.mean(_smoothed_widely(light, mrad / 1000.0 * bench.far_mm / mm)[there]))
        return around * float(np.exp(-0.5 * (radius_mrad / mrad) ** 2)) / max(here, 1e-9)

    by_this, by_another = times(wide), times(_ANOTHER * wide)
    return veil * by_this, float(np.hypot(sigma * by_this, veil * (by_another - by_this)))


def curve_doubt(leg: Leg, sigma: float) -> float:
    """Share by which faint light is off beside white where the exponent of the camera's curve is 1-sigma off."""
    light = float(np.median(leg.white[leg.lit])) * np.array([_FAINT, 1.0])
    found = linearise(coded(light, leg.shape), leg.shape + sigma)
    return float(abs(found[0] / found[1] / _FAINT - 1.0))


def share_beyond(radius_mm: float, variance_mm2: Array) -> float:
    """Share of a normal spread that falls further than a radius from its middle."""
    sigma = np.sqrt(np.maximum(variance_mm2, 1e-9))
    # a disc in strips along y: what of the spread falls into each across it, and between its ends along it
    across = np.diff(ndtr(radius_mm * np.sin(0.5 * np.pi * _ACROSS) / sigma[0]))
    half = radius_mm * np.cos(0.25 * np.pi * (_ACROSS[1:] + _ACROSS[:-1]))
    return float(1.0 - np.sum(across * (2.0 * ndtr(half / sigma[1]) - 1.0)))


def light_on_places(disc: BoolArray, variance_px2: Array, places_px: Array) -> Array:
    """Light at places (n, 2) beside the middle of a dark disc, in shares of the white around it.

    Parameters
    ----------
    disc : (rows, columns) its pixels, and as many around it as there are lit ones that count.
    variance_px2 : (2,) of the normal spread of light.
    """
    rows, columns = disc.shape
    sides = []
    for k, count in enumerate((columns, rows)):
        edges = np.arange(count + 1) - 0.5 * count
        sides.append(np.diff(ndtr((edges - places_px[:, k, None]) / np.sqrt(max(variance_px2[k], 1e-6)))))
    return np.asarray(1.0 - np.einsum("nr,rc,nc->n", sides[1], disc, sides[0]))


def _core_px(bench: SampleBench, radius_mrad: float) -> float:
    """Radius of a disc's middle that is read, projector pixels.

    Further out the light that is spread widely falls on more than one side's share of the disc.
    """
    share = _SMALL_CORE if radius_mrad <= _SMALL_MRAD else _CORE
    return min(share * disc_radius_px(bench, radius_mrad), _MOST_CORE_PX)


def _by_blur(bench: SampleBench, radius_mrad: float, sample: NearLight, reference: NearLight) -> tuple[float, float]:
    """What blur of bench and mirrors and their companions put into a disc's middle beyond the samples' own share.

    The sample's own share is that of its blur beyond the radius, of light that belongs in the very middle.
    """

    added = sample.whole_mm2 - reference.whole_mm2
    own = [share_beyond(radius_mrad / 1000.0 * bench.far_mm, np.maximum(one, 0.0)) for one in (added, -added)]
    pair = (sample, reference)
    edge = [_over_edge(bench, radius_mrad, one, one.here_mm2) for one in pair]
    doubt = [np.hypot(_VARIANCE * one.here_mm2, _UNLIKE * one.waves_mm2) for one in pair]
    more = [_over_edge(bench, radius_mrad, one, one.here_mm2 + off) for one, off in zip(pair, doubt, strict=True)]
    # the light around is as much brighter and darker as waves crowd it
    crowded = [4.0 / bench.shadow_mm * np.sqrt(np.sum(one.waves_mm2)) for one in pair]
    unsure = [m - e + c * e for m, e, c in zip(more, edge, crowded, strict=True)]
    return edge[0] - edge[1] - own[0] + own[1], float(np.hypot(*unsure))


def _over_edge(bench: SampleBench, radius_mrad: float, one: NearLight, variance_mm2: Array) -> float:
    """Mean over the part of the disc that is read, of all beams."""
    core = _core_px(bench, radius_mrad) * _CORE_POINTS
    disc, variance_px2 = disc_pixels(bench, radius_mrad), variance_mm2 / bench.pixel_mm**2
    return sum(
        float(share * np.mean(light_on_places(disc, variance_px2, core - [x / bench.pixel_mm, 0.0])))
        for x, share in zip(one.places_mm, one.strengths, strict=True)
    )


def _disc_light(
    bench: SampleBench, leg: Leg, away_px: Array, picture: Light, white: Light, radius_mrad: float
) -> tuple[float, float]:
    """Light in the middle of a dark disc, in shares of white, and its standard error.

    The light in the disc comes from all around it, so white is the mean over as wide a surrounding: waves
    of the mirror may make the very middle brighter or darker.
    """
    there = away_px < _core_px(bench, radius_mrad)
    values, count = picture[there] / white[there], max(int(np.count_nonzero(there)), 2)
    # the black picture is in all of them alike, as a mean over a few pixels more: its smoothing's 4 pi s^2
    black = leg.black_noise / float(np.mean(white[there])) / np.sqrt(count + 4.0 * np.pi * BLACK_PX**2)
    return float(np.mean(values)), float(np.hypot(np.std(values) / np.sqrt(count), black))


def white_around(bench: SampleBench, leg: Leg, white: Light, wide_mm: float = _SURROUNDING_MM) -> Light:
    """White smoothed over the lit part of the picture."""
    scale = float(np.sqrt(abs(np.linalg.det(leg.affine[:, :2])))) * bench.pixel_mm  # mm per camera pixel
    wide, lit = wide_mm / scale, leg.lit.astype(np.float32)
    light, count = (_smoothed_widely(picture, wide) for picture in (white * lit, lit))
    return np.asarray(light / np.maximum(count, 1e-3), np.float32)


def _smoothed_widely(picture: Light, wide: float) -> Light:
    """Smoothed with a 1-sigma of many pixels, on a picture of fewer: an eighth of it is fine enough."""
    high, across = picture.shape
    step = max(int(wide / 8.0), 1)
    small = cv2.resize(picture, (-(-across // step), -(-high // step)), interpolation=cv2.INTER_AREA)
    # means over coarse pixels, and straight lines between them, smooth by 1/12 and 1/6 of such a pixel's square
    own = 0.25 if step > 1 else 0.0
    smooth = cv2.GaussianBlur(small, (0, 0), float(np.sqrt((wide / step) ** 2 - own)))
    return np.asarray(cv2.resize(smooth, (across, high), interpolation=cv2.INTER_LINEAR), np.float32)
