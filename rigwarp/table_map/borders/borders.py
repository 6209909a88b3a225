"""All borders of a mirror together: where three zones meet, a pixel goes to the zone in which it lies deepest."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.special import ndtr

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.table_map.borders.band import bands_of
from rigwarp.table_map.borders.border import Border, Sorted, sort_samples
from rigwarp.table_map.ripple import MapRipple
from rigwarp.table_map.samples import Samples
from rigwarp.table_map.zones import assign_zones
from rigwarp.tracing import OpticalModel

JUMP: Final = 3.0
"""Times the usual step from pixel to pixel: no step of the same smooth piece, in a map as in a view."""

_IN_DOUBT = 4.0  # sigmas of the line's place
_BRIDGED = 1.2  # half widths from the line, up to which a gap in the samples is bridged


@dataclass(frozen=True, kw_only=True)
class Borders:
    """The borders of all zones, and whose light each of N samples is.

    Attributes
    ----------
    borders : as found.
    zone : (N,) zone of each sample; -1: nobody's.
    sound : (N,) whether it may be fitted; the others say that light arrives, not where.
    """

    borders: Sequence[Border]
    zone: IntArray
    sound: BoolArray

    def reach_px(self, zone: int) -> Array:
        """(K, 2) points on the borders of a zone: its surface is asked for up to there and a little beyond."""
        own = [b.line_px for b in self.borders if zone in b.band.zones]
        half = max((b.band.half_px for b in self.borders if zone in b.band.zones), default=0.0)
        corners = half * np.array([[-1.0, -1.0], [1.0, 1.0]])
        return np.concatenate([(points[:, None] + corners).reshape(-1, 2) for points in own] or [np.zeros((0, 2))])

    def beside_ripple(self, ripples: Sequence[MapRipple], pitch_mm: Mapping[int, float]) -> "Borders":
        """The same, less sure by what the zones' ripples do; `pitch_mm` by zone, on the table for a pixel."""
        widened = []
        for border in self.borders:
            drawn_px = [border.drawn_by(one) / pitch_mm[one.zone] for one in ripples if one.zone in border.band.zones]
            sigma_px = np.linalg.norm([border.sigma_px, *drawn_px], axis=0)
            widened.append(replace(border, sigma_px=sigma_px))
        return replace(self, borders=widened)

    def smooth(self, pitch_mm: float) -> "Borders":
        """Those across which places jump by no more than a few pixels' pitch: each pixel of a view tells the others."""
        return replace(self, borders=[b for b in self.borders if not np.nanmedian(b.jump_mm) > JUMP * pitch_mm])

    def draw(self, owner: NDArray[np.int16]) -> None:
        """Write into an (H, W) picture whose each pixel near a border is."""
        for window, zone in self._near(owner.shape):
            owner[window] = np.where(zone >= 0, zone, owner[window])

    def bridge(self, answered: BoolArray, lit: BoolArray) -> BoolArray:
        """(H, W) with the gaps along the borders closed, where the design lights them."""
        bridged = answered.copy()
        for border in self.borders:
            window = border.band.window()
            margin = border.margin(_pixels(window)).reshape(border.band.distance_px.shape)
            radius = _BRIDGED * border.band.half_px
            near = distance_transform_edt(~answered[window]) <= radius
            closed = distance_transform_edt(np.pad(near, 1, mode="edge"))[1:-1, 1:-1] > radius
            bridged[window] |= closed & lit[window] & (np.abs(margin) <= radius)
        return bridged

    def doubt_mm2(self, owner: NDArray[np.int16]) -> Array:
        """(H, W) variance per axis of a place, because the pixel may not be its owner's but the other zone's."""
        doubt = np.zeros(owner.shape)
        for border in self.borders:
            window = border.band.window()
            pixels = _pixels(window)
            margin = np.abs(border.margin(pixels))
            ours = np.isin(owner[window].ravel(), border.band.zones)
            near = np.flatnonzero(ours & (margin < _IN_DOUBT * border.sigma_px.max()))
            sigma_px, jump_mm = border.at(pixels[near])
            part = np.zeros(len(pixels))
            part[near] = ndtr(-margin[near] / sigma_px) * jump_mm**2 / 2.0
            doubt[window] += part.reshape(border.band.distance_px.shape)
        return doubt

    def _near(self, shape: tuple[int, ...]) -> list[tuple[tuple[slice, slice], IntArray]]:
        """Windows of the picture, and the zone of each of their pixels near a border; -1 elsewhere."""
        found = []
        for border in self.borders:
            window = border.band.window()
            zone = deepest(self.borders, _pixels(window), border.band.half_px)
            found.append((window, zone.reshape(border.band.distance_px.shape)))
        return found


def find_borders(
    model: OpticalModel, zone_map: NDArray[np.int16], samples: Samples, *, per_area: bool = True
) -> Borders:
    """Find where the zones meet, and whose light each sample is.

    Parameters
    ----------
    model : the registered design, and `zone_map` (H, W) what it says.
    samples : N of them.
    per_area : whether their light is per area of the table, as a camera above it sees it; a view's is not.

    Notes
    -----
    Away from the borders, and at those with too few samples, `assign_zones` says whose it is.
    """
    sound, loose = np.ones(len(samples), bool), np.ones(len(samples), bool)
    found: list[Sorted] = []
    members = []
    bands = bands_of(model, zone_map)
    for band in bands:
        near = np.flatnonzero(np.isfinite(band.distance(samples.pixels_px)))
        if not len(near):
            continue
        part = samples.only(near)
        met = [other.meets(part.pixels_px) for other in bands if other is not band]
        elsewhere = np.any(met, axis=0) if met else np.zeros(len(near), bool)
        one = sort_samples(model, band, part, elsewhere, per_area=per_area)
        if one is not None:
            found.append(one)
            members.append(near)
            loose[near] = False
    zone = assign_zones(model, zone_map, samples, doubtful=loose)
    borders = [one.border for one in found]
    for one, near in zip(found, members, strict=True):
        side = deepest(borders, samples.pixels_px[near], one.border.band.half_px)
        inner = side >= 0
        here = near[inner]
        agrees = one.zone[inner] == side[inner]
        ours = np.isin(side[inner], one.border.band.zones)
        sound[here] &= np.where(ours, agrees & one.sound[inner], sound[here])
        zone[here] = np.where(ours, np.where(agrees, side[inner], -1), zone[here])
    return Borders(borders=borders, zone=zone, sound=sound)


def deepest(borders: Sequence[Border], pixels_px: Array, half_px: float) -> IntArray:
    """(N,) zone of the pixels within the half width of a border; -1 for all others.

    On two borders at once, a zone's depth is that behind the nearer of its own.
    """
    depth: dict[int, Array] = {}
    near = np.zeros(len(pixels_px), bool)
    for border in borders:
        margin = border.margin(pixels_px)
        near |= np.abs(margin) <= half_px
        for zone, sign in zip(border.band.zones, (-1.0, 1.0), strict=True):
            depth[zone] = np.minimum(depth.get(zone, np.inf), np.where(np.isfinite(margin), sign * margin, np.inf))
    if not depth:
        return np.full(len(pixels_px), -1)
    numbers = np.array(sorted(depth))
    deep = np.stack([np.where(np.isfinite(depth[n]), depth[n], -np.inf) for n in numbers])
    return np.where(near, numbers[np.argmax(deep, axis=0)], -1)


def _pixels(window: tuple[slice, slice]) -> Array:
    v, u = np.mgrid[window]
    return np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
