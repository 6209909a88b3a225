"""A mirror's regular ripple in the table map: found, followed and told.

What is followed is what the samples see. The light of one projector pixel leaves a patch of the mirror, and so does the
light of one spot of the table, and the two patches are of different sizes unless the focus is perfect. A wave of k rad
per mm is averaged to exp(-k^2 s^2 / 2) of itself over a patch of variance s^2, so that place and counter-place differ
by a share of k^2 times the difference of the variances, which nobody knows: that share of the wave counts as its error.
Where the wave gathers light to 1 / (1 + g) of its width on the table and spreads it to 1 / (1 - g), the patch of a spot
of the table grows and shrinks with it, by about g of its variance.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from rigwarp.geometry import Array
from rigwarp.table_map.ripple_search import Lines, find_lines
from rigwarp.table_map.ripple_waves import Waves, fit_waves
from rigwarp.table_map.samples import Samples
from rigwarp.tracing import OpticalModel

BEAM_MM2 = 0.25
"""Variance per axis of a beam 2 mm wide where it meets the mirror (a quarter of a disk's radius squared)."""
_UNEQUAL = (
    0.25  # of that variance by which the patches differ: on virtual rigs errors are a third to all of what it says
)
_MOST_WAVES = 3  # at a time: a ripple, its harmonic, and one more
_TOLD = 0.3  # of the strongest amplitude: fainter ones are its harmonics


@dataclass(frozen=True, kw_only=True)
class MapRipple:
    """A regular ripple as it shows in the map.

    Attributes
    ----------
    zone : of the mirror.
    period_px, direction_deg : on the projector's picture; from its right towards its bottom, across the waves, 0..180.
    period_mm, direction_on_mirror_deg : on the mirror; from its x axis towards y, the way its height goes up and down.
    amplitude_mm : by which light is moved to and fro on the table.
    turns_deg : 1-sigma of the directions over the picture: large for rings.
    share : of the zone's lit picture that has it.
    beside : (N,) amplitude over `amplitude_mm`, at most 1, about (N, 2) pixels; None: the same everywhere.
    """

    zone: int
    period_px: float
    direction_deg: float
    period_mm: float
    direction_on_mirror_deg: float
    amplitude_mm: float
    turns_deg: float
    share: float
    beside: Callable[[Array], Array] | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """All waves of one zone.

    Attributes
    ----------
    waves : one after the other.
    doubts : for each, (n, m) variance per axis, mm^2, of what the samples cannot tell of it, by tile.
    told : those worth a word, the strongest first.
    left, before : what the spectrum shows beside them, and showed when they were still there.
    """

    waves: tuple[Waves, ...]
    doubts: tuple[Array, ...]
    told: tuple[MapRipple, ...]
    left: Lines
    before: Lines | None = None

    @property
    def unfollowed(self) -> "Ripple":
        """None of the waves taken."""
        return Ripple(waves=(), doubts=(), told=(), left=self.before or self.left)

    def value(self, pixels_px: Array) -> Array:
        """(N, 2) mm at (N, 2) pixels."""
        return np.asarray(sum((waves.value(pixels_px) for waves in self.waves), np.zeros(pixels_px.shape)))

    def noise(self, pixels_px: Array) -> Array:
        """(N,) variance per axis by the samples' noise, mm^2."""
        return np.asarray(sum((waves.variance(pixels_px) for waves in self.waves), np.zeros(len(pixels_px))))

    def doubt(self, pixels_px: Array, covered_mm2: Array) -> Array:
        """(N,) variance per axis, mm^2, of what no sample tells, and of what is left beyond what is covered (N,)."""
        left = self.left.grid.interpolated(self.left.left_mm2, pixels_px) - covered_mm2
        untold = (waves.blended(doubt, pixels_px) for waves, doubt in zip(self.waves, self.doubts, strict=True))
        return np.asarray(sum(untold, np.maximum(left, 0.0)))


def follow_ripple(
    model: OpticalModel,
    zone: int,
    samples: Samples,
    residual_mm: Array,
    slope_mm: Array,
    surface: Callable[[Array], Array],
    left_of: Callable[[Array], Array],
    *,
    coarseness: float = 1.0,
) -> Ripple:
    """Waves in the residuals of one zone.

    Parameters
    ----------
    model : the registered design.
    samples : N samples.
    residual_mm : (N, 2) their distance from the registered design.
    slope_mm : (N, 2, 2) d(table mm) / d(projector px).
    surface : the smooth one through these residuals, mm (n, 2) at (n, 2) pixels.
    left_of : what such a surface through others leaves of them.
    coarseness : how many times as long waves are looked for, since that surface follows longer ones only.
    """
    width, height = model.projector.resolution
    step = max(1, len(slope_mm) // 10_000)
    mm_per_px = float(np.median(np.sqrt(np.abs(np.linalg.det(slope_mm[::step])))))
    waves: list[Waves] = []

    def lines_in(
        values_mm: Array, *, beside_form: bool = False, surface: Callable[[Array], Array] | None = None
    ) -> Lines:
        return find_lines(
            samples.pixels_px,
            values_mm,
            samples.camera_px,
            mm_per_px,
            picture=(height, width),
            surface=surface,
            beside_form=beside_form,
            coarseness=coarseness,
        )

    def without_waves(values_mm: Array, *, beside_form: bool) -> Array:
        for _ in range(_MOST_WAVES):
            lines = lines_in(values_mm, beside_form=beside_form)
            found = fit_waves(lines, samples.pixels_px, values_mm, sigma_mm, beside_form=beside_form)
            if found is None:
                break
            waves.append(found)
            values_mm = values_mm - found.value(samples.pixels_px)
        return values_mm

    lines = lines_in(residual_mm, surface=surface)
    alone = Ripple(waves=(), doubts=(), told=(), left=lines)
    if not lines.found.any():
        return alone
    sigma_mm = np.sqrt(0.5 * np.einsum("nij,nj->n", slope_mm.astype(float) ** 2, samples.sigma_px.astype(float) ** 2))
    # the surface has followed some of it: one through what is left without the waves that stand out beside the form
    # is the form's alone, and from what that leaves all waves are taken
    without = without_waves(residual_mm, beside_form=True)
    followed = residual_mm - without
    waves.clear()
    last = without_waves(left_of(without) + followed, beside_form=False)
    if not waves:
        return alone
    told, doubts = zip(*(_described(model, zone, one, mm_per_px) for one in waves), strict=True)
    strongest = max(one.amplitude_mm for one in told)
    worth = [one for one in told if one.amplitude_mm >= _TOLD * strongest]
    return Ripple(
        waves=tuple(waves),
        doubts=doubts,
        told=tuple(sorted(worth, key=lambda one: -one.amplitude_mm)),
        left=lines_in(last),
        before=lines,
    )


def _described(model: OpticalModel, zone: int, waves: Waves, mm_per_px: float) -> tuple[MapRipple, Array]:
    """A wave in words' figures, and by tile the variance of what the samples cannot tell."""
    at = np.array(list(waves.tiles))
    tiles = list(waves.tiles.values())
    frequency = np.array([tile.frequency for tile in tiles])
    on_mirror = _on_mirror(model, zone, waves.grid.hop_px * at[:, ::-1].astype(float), frequency)
    square = np.array([tile.mean_square_mm2() for tile in tiles])
    per_mm = np.linalg.norm(on_mirror, axis=1)
    usual = float(np.nanmedian(per_mm)) if np.isfinite(per_mm).any() else np.inf
    k2 = (2.0 * np.pi * np.where(np.isfinite(per_mm), per_mm, usual)) ** 2
    doubts = np.zeros(waves.grid.shape)
    gathers = 2.0 * np.pi * np.linalg.norm(frequency, axis=1) * 2.0 * np.sqrt(square) / mm_per_px
    doubts[tuple(at.T)] = np.minimum(0.5 * (_UNEQUAL + gathers) * BEAM_MM2 * k2, 1.0) ** 2 * square
    direction, turns = _mean_direction(frequency, square)
    amplitude_mm = float(np.median(2.0 * np.sqrt(square)))
    by_tile = np.zeros(waves.grid.shape)
    # at most 1: about the middle of a tile with hardly a sample more is anybody's guess
    by_tile[tuple(at.T)] = np.minimum(2.0 * np.sqrt(square) / max(amplitude_mm, 1e-12), 1.0)
    return MapRipple(
        zone=zone,
        period_px=float(1.0 / np.median(np.linalg.norm(frequency, axis=1))),
        direction_deg=direction,
        period_mm=1.0 / usual,
        direction_on_mirror_deg=_mean_direction(on_mirror[np.isfinite(per_mm), :2], square[np.isfinite(per_mm)])[0],
        amplitude_mm=amplitude_mm,
        turns_deg=turns,
        share=len(tiles) / float(np.count_nonzero(waves.reached)),
        beside=partial(waves.blended, by_tile),
    ), doubts


def _on_mirror(model: OpticalModel, zone: int, pixels_px: Array, frequency: Array) -> Array:
    """(N, 3) cycles per mm along the mirror, its frame; NaN where the pixel's ray misses it."""
    steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    place = model.trace(pixels_px[:, None] + steps, zone=zone, extended=True).mirror_mm
    per_px = np.stack([place[:, 1] - place[:, 0], place[:, 2] - place[:, 0]], axis=1)
    known = np.isfinite(per_px).all(axis=(1, 2))
    result = np.full((len(pixels_px), 3), np.nan)
    result[known] = np.einsum("nij,nj->ni", np.linalg.pinv(per_px[known]), frequency[known])
    return result


def _mean_direction(vectors: Array, weight: Array) -> tuple[float, float]:
    """Mean direction of vectors (N, 2+) whose sign means nothing, 0..180 degrees, and how they turn about it."""
    if not len(vectors):
        return float("nan"), float("nan")
    doubled = np.angle(np.sum(weight * np.exp(2j * np.arctan2(vectors[:, 1], vectors[:, 0]))))
    off = np.angle(np.exp(2j * np.arctan2(vectors[:, 1], vectors[:, 0]) - 1j * doubled)) / 2.0
    spread = float(np.sqrt(np.sum(weight * off**2) / np.sum(weight)))
    return float(np.degrees(doubled / 2.0) % 180.0), float(np.degrees(spread))
