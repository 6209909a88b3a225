"""The built border of two zones: whose light each sample is, where the line runs, and how near to it samples are sound.

A sample belongs to the zone whose surface explains its place on the table. The surfaces are fitted to samples well
inside their zones first and to all that are theirs afterwards. The line is where a pixel's own light changes over
(`pixel_light`, `light_profile`). Near it light mixes: blur draws positions to the brighter side, and where both
pieces light one spot of the table what is decoded is neither's. So a zone's samples are fitted only from where, coming
from the line, they are as many and as bright as further inside.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.geometry.robust import HUBER, huber_weights
from rigwarp.geometry.threads import in_two_threads
from rigwarp.table_map.borders.band import Band
from rigwarp.table_map.borders.light_profile import STEPS, LightProfile, line_by_light
from rigwarp.table_map.borders.patch import Patch, powers
from rigwarp.table_map.borders.pixel_light import share_of_light
from rigwarp.table_map.borders.surfaces import FEWEST, clear_of, explained, moved_together_px, pitch_mm, sent_from
from rigwarp.table_map.registration import trace_zones
from rigwarp.table_map.ripple import BEAM_MM2, MapRipple
from rigwarp.table_map.samples import Samples
from rigwarp.tracing import OpticalModel

_CLEAR = 0.5  # of the half width: from there on the blur draws no position to the light
_WHOLE = 3.5  # beam widths from the line a pixel has all of its light
_MOVED_PX = 0.3  # by which surfaces leave out crests along the border, where decoded positions tell the line better
_SEPARABLE = 6.0  # sigmas of the samples that the two surfaces have to be apart
_LINE_DEGREE = 3
_LINE_PASSES = 4
_UNTOLD = 0.5  # of the half width: 1-sigma of a border that nothing tells
# Of the half width, 1-sigma of the line's terms by their degree: a pinhole's picture of a straight fold is straight.
_LINE_PRIOR = (1.0, 1.0, 0.1, 0.03)
_SYSTEMATIC_PX = 0.25  # by which a profile of light may be drawn to one side
_CUT_BEAM = 0.5 * (8.0 / (3.0 * np.pi)) ** 2  # of the exponent of a wave's fading
_MOST_REGAINED = 4.0  # a wave that has faded by more is noise
_TOGETHER = 3.0  # what moves one stretch's estimate may move its neighbours'
_DEPTHS = 13  # steps of the distance up to the half width, for counting samples
_SOUND_COUNT = 0.8  # share of the usual count, and ...
_SOUND_LIGHT = 0.1  # ... how far from the usual light
_IN_A_ROW = 3  # steps that are sound


@dataclass(frozen=True, kw_only=True)
class Border:
    """Where two zones meet as built.

    Attributes
    ----------
    band : the strip around the designed border.
    told : whether the samples tell where it is; if not, the two zones send light to the same places there and it stays
        where the design has it.
    line_px : (n, 2) points of the design's border, one per stretch.
    offset_px : (n,) from there to the built border, positive towards the second zone.
    sigma_px : (n,) 1-sigma of that; and `bound_px`, the least that the samples' noise allows, 0 where nothing is told.
    offset_mm : (n,) the same on the mirror, NaN beside it; and `line_mm` (n, 3) the points there, mirror frame.
    jump_mm : (n,) how far from each other the two zones send light at the border.
    """

    band: Band
    told: bool
    line_px: Array
    offset_px: Array
    sigma_px: Array
    bound_px: Array
    offset_mm: Array
    line_mm: Array
    jump_mm: Array
    _terms: Array

    def margin(self, pixels_px: Array) -> Array:
        """(N,) distance from the built border, negative in the first zone; infinite far off."""
        distance = self.band.distance(pixels_px)
        near = np.isfinite(distance)
        distance[near] -= _line_basis(self.band, pixels_px[near]) @ self._terms
        return distance

    @property
    def turned_deg(self) -> float:
        """How much the built line is turned on the mirror against the designed one; 0 for a line of one point."""
        known = np.isfinite(self.offset_mm) & np.isfinite(self.line_mm).all(axis=-1)
        if np.count_nonzero(known) < 2:
            return 0.0
        line = self.line_mm[known] - self.line_mm[known].mean(axis=0)
        along = line @ np.linalg.svd(line, full_matrices=False)[2][0]
        slope = float(along @ self.offset_mm[known]) / max(float(along @ along), 1e-12)
        return float(np.degrees(np.arctan(slope)))

    def drawn_by(self, ripple: MapRipple) -> Array:
        """(n,) 1-sigma, mm on the table, by which a ripple may shift where half of the light is left.

        The map shows a wave averaged over the whole beam, a border one averaged over half of it: a half disk has 0.28
        of the disk's variance across the cut (1 - (8 / 3 pi)^2). Waves that cross the border average out along it. One
        that lies beside a part of it shifts that part; of the rest no more, rms, than what a least-squares line makes
        of that: a projection, which lengthens nothing.
        """
        across = self.band.across(self.line_px).mean(axis=0)
        angle = np.radians(ripple.direction_deg)
        steep = min(abs(float(across @ [np.cos(angle), np.sin(angle)])) / max(float(np.linalg.norm(across)), 1e-9), 1.0)
        length_px = float(np.linalg.norm(np.ptp(self.line_px, axis=0)))
        crossings = length_px * np.sqrt(1.0 - steep**2) / ripple.period_px
        per_mm = 1.0 / ripple.period_mm if ripple.period_mm > 0.0 else np.inf  # 0: no ray told it
        regained = _CUT_BEAM * BEAM_MM2 * (2.0 * np.pi * per_mm * steep) ** 2 if steep > 0.0 else 0.0
        whole_mm = ripple.amplitude_mm * np.exp(min(regained, _MOST_REGAINED)) / np.sqrt(2.0 + 2.0 * crossings**2)
        beside = np.ones(len(self.line_px)) if ripple.beside is None else ripple.beside(self.line_px)
        return np.asarray(whole_mm * np.maximum(beside, np.sqrt(np.mean(beside**2))))

    def at(self, pixels_px: Array) -> tuple[Array, Array]:
        """(N,) sigma_px and jump_mm at the nearest stretch of (N, 2) pixels."""
        nearest = cKDTree(self.line_px).query(pixels_px)[1]
        return self.sigma_px[nearest], self.jump_mm[nearest]


@dataclass(frozen=True, kw_only=True)
class Sorted:
    """A border, and what it says of the N samples of its strip.

    Attributes
    ----------
    border : the border.
    zone : (N,) whose light each is; -1 nobody's.
    sound : (N,) whether it lies on its own side, far enough from the line to be fitted.
    """

    border: Border
    zone: IntArray
    sound: BoolArray


def sort_samples(
    model: OpticalModel, band: Band, samples: Samples, elsewhere: BoolArray, *, per_area: bool = True
) -> Sorted | None:
    """Find a border by the samples of its strip.

    Parameters
    ----------
    model : the registered design.
    band : the strip.
    samples : N of them.
    elsewhere : (N,) whether another border comes near, where light is lost to a third zone: these do not tell the line.
    per_area : whether samples' light is per area of the table.

    Returns
    -------
    None where a side has too few samples.
    """
    distance = band.distance(samples.pixels_px)

    def from_design(zone: int) -> Array:
        return samples.table_mm - trace_zones(model, samples.pixels_px, np.full(len(samples), zone))

    off = in_two_threads(from_design, band.zones)
    usable = np.isfinite(distance) & np.isfinite(off[0]).all(axis=-1) & np.isfinite(off[1]).all(axis=-1)
    sides = [usable & (distance < -band.half_px), usable & (distance > band.half_px)]
    if min(np.count_nonzero(side) for side in sides) < FEWEST:
        return None
    own, patches = explained(samples, off, sides, usable, distance, band.half_px)
    jump = _jump(model, band, patches)
    if np.median(jump) < _SEPARABLE * max(p.spread for p in patches):
        return _as_designed(model, band, samples, distance, jump)
    beam_px, stretch = _beam_px(model, band), band.stretch_of(samples.pixels_px)
    telling = [o & ~elsewhere for o in own]

    def line(pixels_px: Array, distance: Array, sides: list[BoolArray]) -> tuple[Array, tuple[Array, Array, Array]]:
        """Shares of the samples' light as if they lay at these pixels, and the line that these tell."""
        there = replace(samples, pixels_px=pixels_px)
        share = share_of_light(
            there, stretch, distance, own, sides, step_px=2.0 * band.half_px / STEPS, per_area=per_area
        )
        profile = LightProfile(
            distance_px=distance,
            stretch=stretch,
            second=telling[1],
            share=np.where(telling[0] | telling[1], share, np.nan),
            sigma_px=np.linalg.norm(band.across(band.centres_px())[stretch] * samples.sigma_px, axis=-1),
            cut=samples.cut,
        )
        return share, _line(band, profile, beam_px)

    share, (terms, sigma_px, bound_px) = line(samples.pixels_px, distance, sides)
    corrections = patches
    if min(np.count_nonzero(side) for side in telling) >= FEWEST:
        margin_px = distance - _line_basis(band, samples.pixels_px) @ terms
        clear_px = _CLEAR * band.half_px
        clear = clear_of(margin_px, clear_px, samples, off, telling, patches)
        corrections = clear[0]
        whole = [
            here & ~samples.cut & (sign * margin_px > _WHOLE * beam_px)
            for here, sign in zip(telling, (-1.0, 1.0), strict=True)
        ]
        sent = sent_from(samples, off, telling, clear, clear_px)
        sent_px = band.distance(sent)
        if max(moved_together_px(sent_px - distance, distance, stretch, w) for w in whole) >= _MOVED_PX:
            # crests run along the border, and the surfaces do not go on as they were fitted
            sent, sent_px = samples.pixels_px, distance
        sides = [w if np.count_nonzero(w) >= FEWEST else side for w, side in zip(whole, sides, strict=True)]
        share, (terms, sigma_px, bound_px) = line(sent, sent_px, sides)
    # ripple moves the light beside the line to and fro, and with it where the line seems to be
    rippled_px = max(p.spread for p in patches) / pitch_mm(samples, sides[0])
    border = _border(model, band, _jump(model, band, corrections), terms, np.hypot(sigma_px, rippled_px), bound_px)
    return Sorted(
        border=border,
        zone=np.where(own[0], band.zones[0], np.where(own[1], band.zones[1], -1)),
        sound=_sound(border, samples, stretch, own, share),
    )


def _beam_px(model: OpticalModel, band: Band) -> float:
    """About how wide, 1-sigma, the projector's beam is where it meets the mirror, in pixels across the border."""
    at = band.centres_px()
    ends = [model.trace(at + s * band.across(at), zone=band.zones[0], extended=True).mirror_mm for s in (0.5, -0.5)]
    return float(np.sqrt(BEAM_MM2) / np.nanmedian(np.linalg.norm(ends[0] - ends[1], axis=-1)))


def _jump(model: OpticalModel, band: Band, patches: list[Patch]) -> Array:
    """(n,) mm between where the two zones send the same pixel, stretch by stretch."""
    at = band.centres_px()
    places = [
        trace_zones(model, at, np.full(len(at), zone)) + patch.value(at)
        for zone, patch in zip(band.zones, patches, strict=True)
    ]
    return np.nan_to_num(np.linalg.norm(places[1] - places[0], axis=-1), nan=0.0)


def _as_designed(model: OpticalModel, band: Band, samples: Samples, distance: Array, jump: Array) -> Sorted:
    """What can be said where both zones send light to the same places: hardly anything depends on it."""
    terms = np.zeros(_line_basis(band, band.edge_px[:1]).shape[1])
    border = _border(
        model, band, jump, terms, np.full(len(jump), _UNTOLD * band.half_px), np.zeros(len(jump)), told=False
    )
    zone = np.where(distance < 0, band.zones[0], band.zones[1])
    return Sorted(border=border, zone=zone, sound=~samples.cut)


def _border(
    model: OpticalModel, band: Band, jump: Array, terms: Array, sigma_px: Array, bound_px: Array, *, told: bool = True
) -> Border:
    centres = band.centres_px()
    offset_px = _line_basis(band, centres) @ terms
    built_px = centres + offset_px[:, None] * band.across(centres)
    zone = band.zones[0]
    there, here = (model.trace(px, zone=zone, extended=True).mirror_mm for px in (built_px, centres))
    return Border(
        band=band,
        told=told,
        line_px=centres,
        offset_px=offset_px,
        sigma_px=sigma_px,
        bound_px=bound_px,
        offset_mm=np.sign(offset_px) * np.linalg.norm(there - here, axis=-1),
        line_mm=here,
        jump_mm=jump,
        _terms=terms,
    )


def _line(band: Band, profile: LightProfile, beam_px: float) -> tuple[Array, Array, Array]:
    """Terms of the smooth line, (n,) its 1-sigma at each stretch, px, and the least that noise allows."""
    known = np.isfinite(profile.share) & np.isfinite(profile.distance_px)
    profile = profile.only(known)
    centres = band.centres_px()
    found = line_by_light(profile, len(centres), band.half_px, beam_px)
    variance = found.variance_px2
    basis = _line_basis(band, centres)
    prior = np.concatenate([np.full(n + 1, s * band.half_px) for n, s in enumerate(_LINE_PRIOR)])
    weight = np.ones(len(centres))
    for _ in range(_LINE_PASSES):
        rows = basis * (weight / variance)[:, None]
        normal = rows.T @ basis + np.diag(prior**-2.0)
        terms = np.asarray(np.linalg.solve(normal, rows.T @ found.offset_px), float)
        weight = huber_weights(np.abs(found.offset_px - basis @ terms) / np.sqrt(variance + _SYSTEMATIC_PX**2), HUBER)
    smooth = np.sum(basis * np.linalg.solve(normal, basis.T).T, axis=-1)
    bound_px = found.bound_px(basis, np.diag(prior**-2.0))
    sigma_px = np.sqrt(_TOGETHER * smooth + _SYSTEMATIC_PX**2 + found.drawn_px**2)
    return terms, np.maximum(sigma_px, bound_px), bound_px


def _line_basis(band: Band, pixels_px: Array) -> Array:
    middle = band.edge_px.mean(axis=0)
    size = max(float(np.ptp(band.edge_px, axis=0).max()) / 2.0, 1.0)
    return powers((pixels_px - middle) / size, _LINE_DEGREE)


def _sound(border: Border, samples: Samples, stretch: IntArray, own: list[BoolArray], share: Array) -> BoolArray:
    """(N,) whether each sample may be fitted; see the module's words."""
    margin = border.margin(samples.pixels_px)
    step = border.band.half_px / _DEPTHS
    sound = np.zeros(len(samples), bool)
    for here, sign in zip(own, (-1.0, 1.0), strict=True):
        depth = sign * margin
        column = np.floor(depth / step)
        inside = here & (column >= 0) & np.isfinite(depth)
        first = _first_sound(stretch[inside], column[inside].astype(int), share[inside], len(border.line_px))
        sound |= inside & (column > first[stretch]) & ~samples.cut
    return sound


def _first_sound(stretch: IntArray, column: IntArray, share: Array, stretches: int) -> IntArray:
    """(n,) the step of the distance at which samples begin to be sound, stretch by stretch."""
    shape = (stretches, max(int(column.max(initial=0)) + 1, _DEPTHS + _IN_A_ROW))
    index = stretch * shape[1] + column
    count = np.bincount(index, minlength=shape[0] * shape[1]).reshape(shape)
    with np.errstate(invalid="ignore"):
        light = np.bincount(index, np.nan_to_num(share), minlength=shape[0] * shape[1]).reshape(shape) / count
    usual = np.median(np.where(count[:, _DEPTHS:] > 0, count[:, _DEPTHS:], 0), axis=1, keepdims=True)
    good = (count >= _SOUND_COUNT * usual) & (count > 0) & (np.abs(light - 1.0) < _SOUND_LIGHT)
    runs = np.all([good[:, k : k + _DEPTHS] for k in range(_IN_A_ROW)], axis=0)
    return np.where(runs.any(axis=1), np.argmax(runs, axis=1), _DEPTHS)
