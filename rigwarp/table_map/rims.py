"""Where the built mirror ends: at rims, and at holes that the design may not have.

The projector's beam is up to millimetres wide on the mirror, so that the light of a pixel falls from all to nothing
over several pixels across a rim, and is at one half on the rim itself. Samples are decoded far into that slope, drawn
towards the light: those with clearly less light than further inside say that light arrives, not where, and beyond one
half the mirror has ended. Where samples end in full light the table ends, or decoding failed: that is no rim.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, label, map_coordinates

from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.blur import gaussian_blur, wide_blur
from rigwarp.geometry.robust import sigma_per_axis
from rigwarp.geometry.threads import by_parts
from rigwarp.table_map.borders import Borders
from rigwarp.table_map.samples import Samples
from rigwarp.table_map.squares import spacing_px, sums_over_squares
from rigwarp.table_map.support import pixel_centres

_SQUARE_PX = 2.0  # of averages, at least
_SPACINGS = 1.5  # or so many distances between samples
_GAP_PX = 6.0  # narrower gaps are no holes
_BAND = (0.0125, 12.0)  # of the picture's width, or px: light further from its end is whole
_SOUND = 0.85  # share of the usual light: the table's texture shines through
_ENDS = 0.5
_FADES = 0.75  # mean share around a gap: light ends there, and decoding has not just failed
_FEWEST = 50  # squares in whole light


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Squares of the projector picture that have samples of any zone, (n, m), or lie at a border of two zones."""

    square_px: float
    here: BoolArray

    def at(self, values: Array, pixels_px: Array) -> Array:
        """(...,) values (n, m) at (..., 2) pixels."""
        where = np.moveaxis((pixels_px[..., ::-1] + 0.5) / self.square_px - 0.5, -1, 0)
        return np.asarray(map_coordinates(values, where, order=1, mode="nearest"))

    def on_pixels(self, values: NDArray[Any], shape: tuple[int, ...]) -> NDArray[np.float32]:
        """(H, W) what `at` says at every pixel of the picture, in single precision."""
        side = int(self.square_px)  # a whole number
        size = (values.shape[1] * side, values.shape[0] * side)
        whole = cv2.resize(values.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
        return np.asarray(whole[: shape[0], : shape[1]], np.float32)


@dataclass(frozen=True, kw_only=True)
class Rims:
    """One zone's light near its ends.

    Attributes
    ----------
    seen : where samples are.
    share : (n, m) of the light further inside; 1 far from an end.
    gone : (n, m) where light has ended.
    drawn_mm : by so much of the light that is missing, 1-sigma per axis, what is left of a pixel's light lands aside.
    """

    seen: Seen
    share: Array
    gone: BoolArray
    drawn_mm: float = 0.0

    def sound(self, pixels_px: Array) -> BoolArray:
        """(N,) whether samples at (N, 2) pixels may be fitted."""
        sound = np.empty(len(pixels_px), bool)

        def fill(part: slice) -> None:
            np.greater(self.seen.at(self.share, pixels_px[part]), _SOUND, out=sound[part])

        by_parts(fill, len(pixels_px))
        return sound

    def measured(self, faint_px: Array, aside_mm: Array) -> "Rims":
        """With `drawn_mm` by samples that are not sound, at (N, 2) pixels, which lie (N, 2) beside the fitted surface.

        The part of a beam that still meets the mirror, its middle c off the whole beam's, lands B c beside it, where B
        is what the focus leaves of d(table) / d(mirror) for one pixel; and one spot of the table sees pixels whose mean
        is as far off. Of a disk cut straight c is in proportion to what is missing, within a tenth up to one half.
        """
        missing = 1.0 - self.seen.at(self.share, faint_px)
        drawn = aside_mm / np.maximum(missing, 1.0 - _SOUND)[:, None]
        return replace(self, drawn_mm=sigma_per_axis(drawn)) if len(drawn) else self

    def drawn_mm2(self, shape: tuple[int, ...]) -> NDArray[Any]:
        """(H, W) variance per axis of the picture's pixels, because part of their light misses the mirror."""
        missing = np.clip(1.0 - self.seen.on_pixels(self.share, shape), 0.0, _ENDS)
        return np.asarray((self.drawn_mm * missing) ** 2)

    def beyond(self, shape: tuple[int, ...]) -> BoolArray:
        """(H, W) pixels past the end of the mirror."""
        share, gone = (self.seen.on_pixels(values, shape) for values in (self.share, self.gone))
        return np.asarray((share < _ENDS) | (gone > 0.5))


def find_seen(samples: Samples, borders: Borders, shape: tuple[int, ...]) -> Seen:
    """Where the samples of all zones are; gaps at borders between zones are no ends of the mirror."""
    square = max(_SQUARE_PX, float(np.ceil(_SPACINGS * spacing_px(samples.pixels_px, shape))))
    here = sums_over_squares(samples.pixels_px, square, shape, None)[0] > 0
    room = int(np.ceil(_GAP_PX / square))
    disk = np.hypot(*np.ogrid[-room : room + 1, -room : room + 1]) <= room
    padded = np.pad(here, room, mode="edge").astype(np.uint8)
    here = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disk.astype(np.uint8)), bool)[room:-room, room:-room]
    if borders.borders:
        middles = (pixel_centres(here.shape).reshape(-1, 2) + 0.5) * square - 0.5
        for border in borders.borders:
            here |= (np.abs(border.margin(middles)) <= 2.0 * border.band.half_px).reshape(here.shape)
    return Seen(square_px=square, here=here)


def find_rims(seen: Seen, pixels_px: Array, light: Array, slope_mm: Array, shape: tuple[int, ...]) -> Rims | None:
    """Where the light of one zone ends; None where it nowhere does.

    Parameters
    ----------
    seen : by all samples.
    pixels_px, light : (N, 2), (N,) of the samples of the zone.
    slope_mm : (N, 2, 2) d(table mm) / d(projector px): light spreads over its determinant.
    shape : (H, W) of the picture.
    """
    if seen.here.all():
        return None

    def per_area(part: slice) -> Array:
        (ux, vx), (uy, vy) = np.moveaxis(slope_mm[part], 0, -1)
        return light[part] * np.abs(ux * vy - vx * uy)

    light = np.concatenate(by_parts(per_area, len(light)))
    told = np.isfinite(light)
    at, light = (pixels_px, light) if told.all() else (pixels_px[told], light[told])
    count, total = sums_over_squares(at, seen.square_px, shape, None, light)
    known = count > 0
    band = max(_BAND[0] * shape[1], _BAND[1]) / seen.square_px
    depth = np.asarray(cv2.distanceTransform(seen.here.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE))
    whole = known & (depth > band)
    if np.count_nonzero(whole) < _FEWEST:
        return None
    mean = np.where(known, total / np.maximum(count, 1.0), 0.0)
    share = np.where(known, mean / np.maximum(_usual(mean, whole, band, known), 1e-12), 1.0)
    share = _smoothed(share, known)
    share[depth > band] = 1.0
    if (share > _SOUND).all():
        return None
    return Rims(seen=seen, share=share, gone=_gone(seen.here, share))


def _usual(mean: Array, whole: BoolArray, reach: float, asked: BoolArray) -> Array:
    """(n, m) light of the squares in whole light thereabouts, worth something where it is asked for."""
    sums = wide_blur(np.stack([mean * whole, whole], axis=-1, dtype=np.float32), reach)
    near = sums[..., 1] > 1e-3
    usual = np.where(near, sums[..., 0] / np.maximum(sums[..., 1], 1e-12), 0.0)
    if near[asked].all():
        return usual
    return np.asarray(usual[tuple(distance_transform_edt(~near, return_distances=False, return_indices=True))])


def _smoothed(share: Array, known: BoolArray) -> Array:
    """Means over known neighbours; the nearest's where none is."""
    sums = gaussian_blur(np.stack([share * known, known.astype(float)], axis=-1), 0.7, dark_outside=True)
    near = sums[..., 1] > 1e-2
    smooth = np.where(near, sums[..., 0] / np.maximum(sums[..., 1], 1e-12), 1.0)
    return np.asarray(smooth[tuple(distance_transform_edt(~near, return_distances=False, return_indices=True))])


def _gone(seen: BoolArray, share: Array) -> BoolArray:
    """(n, m) gaps in the samples around which light fades."""
    number, count = label(~seen)
    if not count:
        return np.zeros(seen.shape, bool)
    away, nearest = distance_transform_edt(seen, return_indices=True)
    around = seen & (away <= 1.5)
    gap = number[tuple(n[around] for n in nearest)]
    mean = np.bincount(gap, share[around], count + 1) / np.maximum(np.bincount(gap, minlength=count + 1), 1)
    fades = (mean < _FADES) & (np.arange(count + 1) > 0)
    return np.asarray(fades[number])
