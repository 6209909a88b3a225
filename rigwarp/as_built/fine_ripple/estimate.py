"""A ripple finer than the projector's beam, told from what stripes of two directions lose at one place.

Such a ripple moves nothing: within one beam all its slopes are there. It spreads the light of a pixel on the table, to
and fro along one direction, and the stripes that run across that direction lose modulation. Whatever else blurs one
direction more than the other is fitted beside it: the beam that the mirror makes astigmatic, the camera's blur seen
through the map, the lens's own astigmatism within what is usual. What is left and stands out is the ripple's.

Stripes along two directions tell the blur along u and along v, not how the two go together. So a ripple halfway between
them looks like a picture out of focus and is not found, and its direction may be told up to a mirror image only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.as_built.describe.ripple import Ripple
from rigwarp.as_built.fine_ripple.blur_fit import SlopesTold, slopes_told
from rigwarp.as_built.fine_ripple.blur_model import BlurCells
from rigwarp.as_built.fine_ripple.blur_paths import blur_paths, map_slopes
from rigwarp.camera import CameraModel
from rigwarp.decode import Modulation
from rigwarp.geometry import Array, BoolArray
from rigwarp.table_map import Samples
from rigwarp.tracing import OpticalModel, Surface

ASSUMED_PITCH_MM = 0.2
"""Height of a print layer: the usual one. The blur tells slopes, not the pitch; amplitudes are for this one."""

_STANDS_OUT = 16.0  # fall of chi-square: four sigma, of which most is what lenses are trusted with
_DOUBT = 4.0
"""By what differences of chi-square between directions are divided: they rest on how the blur varies over the picture,
by hundredths of a pixel^2, which a beam taken for linear gives half as well as noise would have it."""
_LEAST_SIGMA_DEG, _LEAST_SIGMA_SHARE = 5.0, 0.08  # of direction and slope: how well the light path is known
_POSSIBLE = 0.05  # of the probability: directions that have less together are ruled out
_LIKELY = 8.0  # chi-square above the best at which one range of directions ends
_SAME_DEG = 25.0
_FEWEST_CELLS = 60
_FEWEST_PERIODS = 2  # per direction: one cannot tell blur from other loss
_MOST_CELLS = 1500


@dataclass(frozen=True, kw_only=True)
class FineRipple:
    """A ripple that blurs rather than moves: an estimate.

    Attributes
    ----------
    zone : of the mirror.
    direction_deg, direction_sigma_deg : in which its height goes up and down, from the mirror's x axis towards y.
    also_possible_deg : other directions that the scan does not rule out.
    slope_rms_mrad, slope_rms_sigma_mrad : of the ripple alone.
    spread_mm, spread_px : rms distance by which it spreads light on the table along a line, in mm and in projector
        pixels, median over the zone.
    assumed_pitch_mm, amplitude_um : half its peak to valley, if it is a wave of this period.
    """

    zone: int
    direction_deg: float
    direction_sigma_deg: float
    also_possible_deg: tuple[float, ...]
    slope_rms_mrad: float
    slope_rms_sigma_mrad: float
    spread_mm: float
    spread_px: float
    assumed_pitch_mm: float
    amplitude_um: float


def fine_ripples(
    model: OpticalModel,
    modulations: Sequence[Modulation],
    samples: Samples,
    sample_zone: NDArray[np.int64],
    camera: CameraModel,
    *,
    known: Ripple | None = None,
) -> tuple[FineRipple, ...]:
    """Ripples that stand out, one per zone at most.

    Parameters
    ----------
    model : the rig as it is mounted.
    modulations : of the scans of the table.
    samples, sample_zone : of the table map: N averaged samples, and the zone (N,) that lights each.
    known : a ripple that shows as displacement: what it blurs besides is no other ripple.
    """
    usable: BoolArray = np.isfinite(np.concatenate([samples.pixels_px, samples.table_mm], axis=-1)).all(axis=-1)
    samples, sample_zone = samples.only(usable), sample_zone[usable]
    tree = cKDTree(samples.pixels_px)
    zones = [sample_zone[tree.query(one.pixels_px)[1]] for one in modulations]
    found = []
    for surface in model.surfaces:
        parts = [one.only(number == surface.zone) for one, number in zip(modulations, zones, strict=True)]
        part = max(parts, key=lambda one: len(one.pixels_px), default=None)
        if part is None:
            continue
        cells = _cells(model, surface, part, samples.only(sample_zone == surface.zone), camera)
        ripple = None if cells is None else _judged(slopes_told(cells), cells, surface)
        if ripple is not None and not _is_known(ripple, known):
            found.append(ripple)
    return tuple(found)


def _cells(
    model: OpticalModel, surface: Surface, modulation: Modulation, samples: Samples, camera: CameraModel
) -> BlurCells | None:
    """Cells of one zone, not too many; None where they are too few."""
    number = len(modulation.pixels_px)
    if number < _FEWEST_CELLS or min(modulation.u.shape[1], modulation.v.shape[1]) < _FEWEST_PERIODS:
        return None
    part = modulation.only(np.arange(number) % -(-number // _MOST_CELLS) == 0)
    slopes = map_slopes(model, surface, samples.pixels_px, samples.table_mm, part.pixels_px)
    paths = blur_paths(model, surface, part.pixels_px, part.camera_px, camera, mm_per_px=slopes)
    cells = BlurCells.of(part, paths)
    return cells if len(cells.place) >= _FEWEST_CELLS else None


def _is_known(ripple: FineRipple, known: Ripple | None) -> bool:
    """Whether the ripple that shows as displacement is as steep and lies alike."""
    if known is None:
        return False
    steep = np.sqrt(2.0) * np.pi * known.amplitude_um / known.period_mm
    off = [_turn(known.direction_deg - d) for d in (ripple.direction_deg, *ripple.also_possible_deg)]
    return bool(steep > 0.5 * ripple.slope_rms_mrad and np.min(np.abs(off)) < _SAME_DEG)


def _turn(degrees: Array | float) -> Array:
    """Difference of two directions, -90..90."""
    return np.asarray((np.asarray(degrees, float) + 90.0) % 180.0 - 90.0)


def _judged(told: SlopesTold, cells: BlurCells, surface: Surface) -> FineRipple | None:
    """The ripple, if there is one beyond doubt: mean and sigma over the range of directions around the likeliest."""
    if told.chi2_without - told.chi2.min() < _STANDS_OUT:
        return None
    above = (told.chi2 - told.chi2.min()) / _DOUBT
    chance = np.exp(-0.5 * above)
    ranges = _ranges(above < _LIKELY)
    weights = [float(chance[part].sum()) for part in ranges]
    order = np.argsort(weights)[::-1]
    main = ranges[order[0]]
    middle, width = _mean_direction(told.angle_deg[main], chance[main])
    share = chance[main] / chance[main].sum()
    slope = float(share @ told.slope_mrad[main])
    variance = (_LEAST_SIGMA_SHARE * slope) ** 2 + float(
        share @ (told.sigma_mrad[main] ** 2 + (told.slope_mrad[main] - slope) ** 2)
    )
    others = [ranges[k] for k in order[1:] if weights[k] > _POSSIBLE * sum(weights)]
    unit = np.array([np.cos(np.deg2rad(middle)), np.sin(np.deg2rad(middle))])
    aside_px = 1e-3 * slope * cells.paths.by_slope @ unit
    aside_mm = np.einsum("nij,nj->ni", cells.paths.mm_per_px, aside_px)
    return FineRipple(
        zone=surface.zone,
        direction_deg=_in_mirror(surface, middle),
        direction_sigma_deg=width,
        also_possible_deg=tuple(
            _in_mirror(surface, _mean_direction(told.angle_deg[part], chance[part])[0]) for part in others
        ),
        slope_rms_mrad=slope,
        slope_rms_sigma_mrad=float(np.sqrt(variance)),
        spread_mm=float(np.median(np.linalg.norm(aside_mm, axis=-1))),
        spread_px=float(np.median(np.linalg.norm(aside_px, axis=-1))),
        assumed_pitch_mm=ASSUMED_PITCH_MM,
        amplitude_um=float(np.sqrt(2.0) * slope * ASSUMED_PITCH_MM / (2.0 * np.pi)),
    )


def _ranges(likely: BoolArray) -> list[NDArray[np.int64]]:
    """Runs of neighbouring directions, the last one next to the first."""
    count = len(likely)
    first = int(np.argmin(likely)) if not likely.all() else 0
    order = (np.arange(count) + first) % count
    runs = np.split(order, np.flatnonzero(np.diff(likely[order].astype(int))) + 1)
    return [run for run in runs if likely[run[0]]]


def _mean_direction(angle_deg: Array, chance: Array) -> tuple[float, float]:
    """Mean and sigma of directions, degrees; the sigma is no smaller than what is known of the light path."""
    centre = float(angle_deg[np.argmax(chance)])
    off = _turn(angle_deg - centre)
    share = chance / chance.sum()
    mean = float(share @ off)
    return centre + mean, float(np.hypot(np.sqrt(share @ (off - mean) ** 2), _LEAST_SIGMA_DEG))


def _in_mirror(surface: Surface, angle_deg: float) -> float:
    """A direction of the surface's own frame as seen along the mirror's z axis, 0..180 degrees."""
    own = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    x, y = surface.T_mirror_from_surface[:2, :2] @ own
    return float(np.degrees(np.arctan2(y, x)) % 180.0)
