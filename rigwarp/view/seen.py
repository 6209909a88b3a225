"""What a view's camera saw, pixel by pixel: places on the table and how surely, whatever showed them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_erosion, distance_transform_edt, maximum_filter, median_filter

from rigwarp.decode import Decoded
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.rig import Table, inside_table

_FEWEST = 2000  # pixels
_LEAST_MM = 1e-4
_RIM_PX = 3  # how far the lens, out of focus at a mirror's edge, mixes what lies on both sides


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Measured places, (H, W) over the camera's raw pixels; NaN where there is none.

    Attributes
    ----------
    table_mm : (H, W, 2) place on the table.
    random_mm : 1-sigma per axis, each pixel by itself.
    common_mm : 1-sigma per axis that neighbours share: of whatever told the places.
    light : relative light.
    """

    table_mm: Array
    random_mm: Array
    common_mm: Array
    light: Array


def seen_by_projector(decoded: Decoded, projector_map: PixelMap, table: Table) -> Seen:
    """Places where the rig's own calibrated projector shone: its map at the projector position that each pixel decoded.

    Raises
    ------
    MeasurementError
        Hardly any pixel sees light that the map knows.
    """
    u, v = decoded.u_px.astype(float), decoded.v_px.astype(float)
    height, width = projector_map.zone.shape
    known = decoded.valid & (u >= 0.0) & (v >= 0.0) & (u < width - 1) & (v < height - 1)
    row, column = np.nonzero(known)
    u, v = u[row, column], v[row, column]
    i, j = np.floor(u).astype(int), np.floor(v).astype(int)
    corners = [(j, i), (j, i + 1), (j + 1, i), (j + 1, i + 1)]
    zone = projector_map.zone[j, i]
    good = (zone != NO_LIGHT) & np.all([projector_map.zone[at] == zone for at in corners], axis=0)
    good &= np.all([projector_map.measured[at] for at in corners], axis=0)
    place = np.stack([projector_map.table_mm[at] for at in corners])
    s, t = (u - i)[:, None], (v - j)[:, None]
    spot = (1 - s) * (1 - t) * place[0] + s * (1 - t) * place[1] + (1 - s) * t * place[2] + s * t * place[3]
    good[good] = inside_table(table, spot[good])
    if np.count_nonzero(good) < _FEWEST:
        raise MeasurementError(
            f"{len(row)} pixels of the view decode, but only {np.count_nonzero(good)} see light of which the table map "
            f"knows where it lies ({_FEWEST} are needed): check that the view's camera sees the lit table over its "
            "mirrors, and that the projector was not moved since it was calibrated"
        )
    along_u = np.sum((place[1] - place[0]) ** 2, axis=-1) * decoded.sigma_u_px[row, column].astype(float) ** 2
    along_v = np.sum((place[2] - place[0]) ** 2, axis=-1) * decoded.sigma_v_px[row, column].astype(float) ** 2
    shape = decoded.reason.shape
    where = (row[good], column[good])

    def picture(values: Array) -> Array:
        full = np.full((*shape, *values.shape[1:]), np.nan)
        full[where] = values[good]
        return full

    table_mm = picture(spot)
    pitch_mm = np.sqrt(np.sum((place[1] - place[0]) ** 2 + (place[2] - place[0]) ** 2, axis=-1) / 2.0)
    return Seen(
        table_mm=table_mm,
        random_mm=picture(np.maximum(np.sqrt((along_u + along_v) / 2.0), _LEAST_MM)),
        common_mm=np.hypot(picture(projector_map.sigma_mm[j, i]), scan_error_mm(decoded, table_mm, picture(pitch_mm))),
        light=picture(decoded.light[row, column].astype(float)),
    )


def scan_error_mm(decoded: Decoded, table_mm: Array, pitch_mm: Array | float) -> Array:
    """(H, W) 1-sigma per axis that neighbours share: of changing light, bands, a curve and motion taken out of a scan.

    Parameters
    ----------
    table_mm : (H, W, 2) measured places.
    pitch_mm : of a pixel of what showed the patterns, on the table.
    """
    by_light_px = math.hypot(decoded.light_sigma_px, decoded.bands_sigma_px, decoded.curve_sigma_px)
    return np.hypot(by_light_px * pitch_mm, decoded.motion_sigma_px * mm_per_px(table_mm))


def mm_per_px(table_mm: Array) -> Array:
    """(H, W) by how much the place moves per axis for a camera pixel either way, rms; filled where unknown."""
    square = np.full(table_mm.shape[:2], np.nan)
    across = np.sum((table_mm[:-1, 1:] - table_mm[:-1, :-1]) ** 2, axis=-1)
    down = np.sum((table_mm[1:, :-1] - table_mm[:-1, :-1]) ** 2, axis=-1)
    square[:-1, :-1] = (across + down) / 2.0
    square[square > 9.0 * np.nanmedian(square)] = np.nan  # across a fold
    return np.sqrt(filled(square))


def mostly_lit(light: Array) -> BoolArray:
    """(H, W) pixels that saw their place, but for those at a rim that saw it with less than half of the lens.

    Where one mirror ends and the next shows nothing bright, a pixel decodes by what little of the lens still looks
    into the first, though most of it looks into the second: its light is less than half of what lies further in.
    """
    known = np.isfinite(light)
    at_rim = known & ~binary_erosion(known, iterations=_RIM_PX, border_value=1)
    inside = maximum_filter(median_filter(np.where(known, light, 0.0), 3), 2 * _RIM_PX + 1)
    return np.asarray(known & (~at_rim | (np.nan_to_num(light) >= 0.5 * inside)))


def filled(values: Array) -> Array:
    """(H, W[, k]) with the nearest known value where there is none."""
    known = np.isfinite(values if values.ndim == 2 else values[..., 0])
    row, column = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[row, column])


def joined_seen(parts: Sequence[Seen]) -> Seen:
    """Several as one: where more than one tells a place, the surest."""
    best = np.argmin([np.where(np.isfinite(one.random_mm), one.random_mm, np.inf) for one in parts], axis=0)[None]

    def picked(name: str) -> Array:
        values = np.stack([getattr(one, name) for one in parts])
        return np.asarray(np.take_along_axis(values, best.reshape(best.shape + (1,) * (values.ndim - 3)), axis=0)[0])

    return Seen(
        table_mm=picked("table_mm"),
        random_mm=picked("random_mm"),
        common_mm=picked("common_mm"),
        light=picked("light"),
    )
