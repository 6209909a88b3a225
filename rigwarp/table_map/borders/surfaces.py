"""The two zones' surfaces beside a border: which samples each explains, and where it sends light clear of the line."""

import numpy as np

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.table_map.borders.patch import Patch, fit_patch
from rigwarp.table_map.samples import Samples

FEWEST = 200  # samples of a zone beside the strip's middle
_DEGREE, _STIFF_DEGREE = 3, 2
_AS_GOOD = 1.1  # times the other's spread: a stiffer surface goes on straighter
_GROSS = 10.0  # times the usual distance from the design: somebody else's light
_ROUNDS = 2
_RIPPLED_PX = 0.15  # spread of samples beside a stiff surface: a rippled one is followed
_FRONTS = 14  # steps from half a width inside to half a width outside, and ...
_DRAWN_PX = 2.5  # by which blur draws a position near the line
_FOLLOWED = 0.6  # ... how much of the half width behind tells where a surface goes on to
_SIGMAS = 8.0  # from a surface, or ...
_STRAY_PX = 1.0  # ... this many pixels' light: what blur and a mask's edge do to positions
_FEWEST_ALIKE = 8  # samples of a piece of the strip for a mean
_APART = 3.0  # an explanation counts when the other is so many times as far off


def explained(
    samples: Samples, off: list[Array], sides: list[BoolArray], usable: BoolArray, distance: Array, half_px: float
) -> tuple[list[BoolArray], list[Patch]]:
    """Which samples each zone's surface explains, and the surfaces."""
    own = sides
    at = samples.pixels_px
    stray_mm = _STRAY_PX * pitch_mm(samples, sides[0])
    for _ in range(_ROUNDS):
        patches = [fit_patch(at, values, here, degree=_DEGREE) for values, here in zip(off, own, strict=True)]
        left = [np.linalg.norm(v - p.value(at), axis=-1) for v, p in zip(off, patches, strict=True)]
        near = [x < max(_SIGMAS * p.spread, stray_mm) for x, p in zip(left, patches, strict=True)]
        own = [
            usable & near[0] & (_APART * left[0] < left[1]),
            usable & near[1] & (_APART * left[1] < left[0]),
        ]
    if max(p.spread for p in patches) < _RIPPLED_PX * stray_mm / _STRAY_PX:
        return own, patches
    for number, (values, sign) in enumerate(zip(off, (-1.0, 1.0), strict=True)):
        told = usable & (_APART * stray_mm < left[1 - number])
        own[number] = _followed(at, values, own[number], sign * distance, told, stray_mm, half_px, patches[number])
    return own, patches


def _followed(
    pixels_px: Array,
    off_mm: Array,
    own: BoolArray,
    depth_px: Array,
    told: BoolArray,
    stray_mm: float,
    half_px: float,
    patch: Patch,
) -> BoolArray:
    """(N,) which samples are a zone's if its surface is followed from well inside, step by step, towards the other.

    A rippled surface goes elsewhere than a stiff one that was fitted further inside: `patch`, which is gone by where
    samples are too few. `told` are clear of the other's.
    """
    found = own & (depth_px > half_px)
    step = 2.0 * half_px / _FRONTS
    for front in half_px - step * np.arange(_FRONTS + 1):
        known = found & (depth_px < front + _FOLLOWED * half_px)
        if np.count_nonzero(known) >= FEWEST:
            patch = fit_patch(pixels_px, off_mm, known, degree=_DEGREE)
        here = np.flatnonzero(told & (depth_px <= front) & (depth_px > front - step))
        left = np.linalg.norm(off_mm[here] - patch.value(pixels_px[here]), axis=-1)
        found[here[left < max(_SIGMAS * patch.spread, _DRAWN_PX * stray_mm)]] = True
    return own | found


def clear_of(
    margin_px: Array, clear_px: float, samples: Samples, off: list[Array], own: list[BoolArray], patches: list[Patch]
) -> tuple[list[Patch], list[Patch]]:
    """Each zone's surface, as a correction of the design and as places, through its samples clear of a first line.

    `margin_px` (N,) from that line. Near it the blur draws decoded positions to the lit side, and surfaces with them.
    """
    corrections, places = [], []
    for values, here, patch in zip(off, own, patches, strict=True):
        size_mm = np.linalg.norm(values, axis=-1)
        clear = here & (np.abs(margin_px) > clear_px)
        clear &= size_mm < _GROSS * np.median(size_mm[clear]) if clear.any() else False
        told = np.count_nonzero(clear) >= FEWEST
        which = clear if told else here
        stiff, pliant = (fit_patch(samples.pixels_px, values, which, degree=d) for d in (_STIFF_DEGREE, _DEGREE))
        better = stiff if stiff.spread < _AS_GOOD * pliant.spread else pliant
        corrections.append(better if told else patch)
        places.append(fit_patch(samples.pixels_px, samples.table_mm, which, degree=_DEGREE))
    return corrections, places


def sent_from(
    samples: Samples,
    off: list[Array],
    own: list[BoolArray],
    patches: tuple[list[Patch], list[Patch]],
    most_px: float,
) -> Array:
    """(N, 2) pixels that a zone's surface sends to where the zone's samples were seen; further off than that is noise.

    Decoded positions are drawn by the blur's variance times the slope of the logarithm of the light: a pixel and more
    on a rippled mirror. Places on the table are not.
    """
    pixels = samples.pixels_px.copy()
    for values, here, correction, place in zip(off, own, *patches, strict=True):
        at = samples.pixels_px[here]
        slope = np.stack([place.value(at + step) - place.value(at) for step in np.eye(2)], axis=-1)
        drawn = np.linalg.solve(slope, (values[here] - correction.value(at))[:, :, None])[:, :, 0]
        pixels[here] = np.where(np.linalg.norm(drawn, axis=-1, keepdims=True) < most_px, at + drawn, at)
    return pixels


def moved_together_px(moved_px: Array, distance: Array, stretch: IntArray, here: BoolArray) -> float:
    """By how much, rms, surfaces move those of N samples that are picked, averaged over each stretch of border.

    Noise averages out, and so do waves that cross the border; crests along it, which the surfaces do not follow, stay.
    """
    known = here & np.isfinite(moved_px)
    if not known.any():
        return 0.0
    column = np.floor(distance[known]).astype(int)
    number = np.ravel_multi_index((stretch[known], column - column.min()), (stretch.max() + 1, np.ptp(column) + 1))
    count = np.bincount(number)
    mean = np.bincount(number, moved_px[known])[count >= _FEWEST_ALIKE] / count[count >= _FEWEST_ALIKE]
    return float(np.sqrt(np.mean(mean**2))) if mean.size else 0.0


def pitch_mm(samples: Samples, side: BoolArray) -> float:
    """About how far apart the light of neighbouring projector pixels lies."""
    plane = fit_patch(samples.pixels_px, samples.table_mm, side, degree=1)
    return float(np.sqrt(np.abs(np.linalg.det(plane.coefficients[1:] / plane.size_px))))
