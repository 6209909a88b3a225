"""The linear operator from projector pixels to camera pixels, built once.

Every projector pixel is a little quadrilateral. From each pupil point its four corners are followed to the table and on
to the camera's sensor, where the light is spread evenly over the quadrilateral they span; every camera pixel gathers
the exact share that falls on it. Overlapping light adds, folds included, whichever way round they are. `Scene` is the
lit table: projected light, room light and haze, as the camera's lens receives them.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.simulation.lens import TableView
from rigwarp.simulation.light_path import LightPath
from rigwarp.simulation.mirror import NO_PIECE
from rigwarp.simulation.overlap import joined, pixel_overlaps, quad_area_px2
from rigwarp.simulation.sensor import hazed
from rigwarp.simulation.table import TableTop
from rigwarp.simulation.truth import RoomTruth

if TYPE_CHECKING:
    from rigwarp.simulation.view.prints import PlanLight

    LooksDown: TypeAlias = TableView | PlanLight

_PIXELS_AT_ONCE = 12_000  # projector pixels per band: a band's arrays stay within the cache
_SPLIT = 4  # a pixel across an edge of the mirror is cut into this many squared
_THREADS = 2
_SMALLEST_PX2 = 1e-9  # light on less than this has come to a caustic point; it is put where the quad's middle is


@dataclass(frozen=True, kw_only=True)
class Quads:
    """Light on the sensor: corners (N, 4) in pixels, each quad's light, and the projector pixel it comes from."""

    x_px: Array
    y_px: Array
    flux: Array
    pixel: NDArray[np.int64]

    def some(self, which: NDArray[np.intp]) -> "Quads":
        """Those of the numbers (M,)."""
        return Quads(**{name: values[which] for name, values in vars(self).items()})


class Scene:
    """The light transport together with the table.

    Attributes
    ----------
    transport : (camera pixels, projector pixels) sparse operator, light sent to light received per pixel.
    white : typical projected white per area of a white table, in the transport's own unit: what radiance 1 stands for.
    """

    def __init__(
        self,
        path: LightPath,
        view: TableView,
        top: TableTop,
        room: RoomTruth,
        *,
        white: float | None = None,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        height, width = top.reflectance.shape
        self.transport = build_transport(path, view, (width, height), progress=progress)
        self._top = top
        self._room = room
        per_area = np.where(top.area_mm2 > 0.0, 1.0 / top.area_mm2, 0.0)
        everything = np.ones(self.transport.shape[1], np.float32)
        bright = (self.transport @ everything).reshape(height, width) * per_area
        lit = bright[(bright > 0.0) & (top.reflectance > 0.0)]
        if not lit.size:
            raise InputError(
                "virtual rig: the camera sees no projected light on the table. "
                "Check camera.position_mm and camera.aim_mm in virtual.toml, and the mirror in rig.toml."
            )
        self.white = float(np.median(lit)) if white is None else white
        self._per_light = (per_area / self.white).astype(np.float32)

    def radiance(
        self, light: NDArray[np.float32], *, daylight: float = 0.0, shade: NDArray[np.float32] | None = None
    ) -> NDArray[np.float32]:
        """(H, W) radiance for (h, w) light of the projector's pixels; 1 = typical projected white on a white table.

        `daylight` is room light beside the usual, as a share of projected white; `shade` (H, W) the share of all light
        that somebody in its way lets through.
        """
        irradiance = (self.transport @ light.ravel()).reshape(self._per_light.shape) * self._per_light
        lit = (irradiance + np.float32(self._room.ambient + daylight)) * self._top.reflectance
        return hazed(lit if shade is None else lit * shade, self._room.haze)


def build_transport(
    path: LightPath,
    view: "LooksDown",
    camera_resolution: tuple[int, int],
    *,
    progress: Callable[[float], None] | None = None,
) -> sparse.csc_array:
    """(camera pixels, projector pixels) operator: light sent out to light received, row-major pixels."""
    width, height = path.projector.resolution
    rows = max(1, _PIXELS_AT_ONCE // width)
    bands = [(top, min(top + rows, height)) for top in range(0, height, rows)]

    def one(band: tuple[int, int]) -> sparse.csc_array:
        return _band_operator(path, view, camera_resolution, *band)

    parts = []
    with ThreadPoolExecutor(_THREADS) as pool:
        try:
            for done, part in enumerate(pool.map(one, bands), start=1):
                parts.append(part)
                if progress is not None:
                    progress(done / len(bands))
        except BaseException:  # an interruption must not wait for all the bands still queued
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return _side_by_side(parts)


def _side_by_side(parts: list[sparse.csc_array]) -> sparse.csc_array:
    """Column blocks as one matrix, each block given up as soon as it is copied."""
    starts = np.cumsum([0] + [part.nnz for part in parts])
    shape = (parts[0].shape[0], sum(part.shape[1] for part in parts))
    values = np.zeros(starts[-1], np.float32)
    rows = np.zeros(starts[-1], np.int32)
    ends = np.concatenate([[0], *(start + part.indptr[1:] for start, part in zip(starts[:-1], parts, strict=True))])
    for start, end in pairwise(starts):
        part = parts.pop(0)
        values[start:end], rows[start:end] = part.data, part.indices
    return sparse.csc_array((values, rows, ends.astype(np.int32)), shape=shape)


def _band_operator(
    path: LightPath, view: "LooksDown", camera_resolution: tuple[int, int], top: int, bottom: int
) -> sparse.csc_array:
    """The operator's columns for the projector rows top..bottom-1."""
    width = path.projector.resolution[0]
    samples = len(path.projector.pupil_mm)
    quads = joined([q for k in range(samples) for q in _band_quads(path, view, top, bottom, k)])
    quads = _without_bow_ties(quads)
    area = quad_area_px2(quads.x_px, quads.y_px)
    density = quads.flux / samples / area
    pixels, columns, values = [], [], []
    for overlap in pixel_overlaps(quads.x_px, quads.y_px, camera_resolution):
        pixels.append(overlap.pixel.astype(np.int32))
        columns.append(quads.pixel[overlap.quad].astype(np.int32))
        values.append((overlap.area_px2 * density[overlap.quad]).astype(np.float32))
    shape = (camera_resolution[0] * camera_resolution[1], (bottom - top) * width)
    if not values:
        return sparse.csc_array(shape, dtype=np.float32)
    entries = (np.concatenate(values), (np.concatenate(pixels), np.concatenate(columns)))
    return sparse.coo_array(entries, shape=shape).tocsc()  # adds up what several pupil points and pieces bring


def _band_quads(path: LightPath, view: "LooksDown", top: int, bottom: int, pupil: int) -> list[Quads]:
    """Quads of a band of projector rows from one pupil point; `pixel` counts from the band's first."""
    width = path.projector.resolution[0]
    rows = bottom - top
    u, v = np.meshgrid(np.arange(width + 1) - 0.5, np.arange(top, bottom + 1) - 0.5)
    landing = path.land(u.ravel(), v.ravel(), pupil)
    x, y = view.to_pixels(landing.x_mm, landing.y_mm)
    piece = np.where(np.isfinite(x), landing.piece, NO_PIECE).reshape(rows + 1, width + 1)
    low, high = _extremes(piece)
    uc, vc = np.meshgrid(np.arange(width, dtype=float), np.arange(top, bottom, dtype=float))
    flux = path.projector.pixel_flux(uc, vc).ravel()
    _, on_top = _extremes(landing.on_top.reshape(piece.shape).astype(np.int16))
    whole = np.flatnonzero(((low == high) & (low != NO_PIECE) & (on_top > 0)).ravel())
    x4, y4 = _corners(x.reshape(piece.shape), whole), _corners(y.reshape(piece.shape), whole)
    parts = [Quads(x_px=x4, y_px=y4, flux=flux[whole], pixel=whole)]
    mixed = np.flatnonzero(((low != high) & (on_top > 0)).ravel())
    if mixed.size:
        parts.append(_split_quads(path, view, mixed, uc.ravel()[mixed], vc.ravel()[mixed], flux[mixed], pupil))
    return parts


def _split_quads(
    path: LightPath, view: "LooksDown", pixel: NDArray[np.int64], u: Array, v: Array, flux: Array, pupil: int
) -> Quads:
    """Pixels across an edge, cut up; parts that still lie across it are dropped, so no light is invented."""
    step = np.arange(_SPLIT + 1) / _SPLIT - 0.5
    us = (u[:, None, None] + step[None, None, :] + 0.0 * step[None, :, None]).ravel()
    vs = (v[:, None, None] + step[None, :, None] + 0.0 * step[None, None, :]).ravel()
    landing = path.land(us, vs, pupil)
    x, y = view.to_pixels(landing.x_mm, landing.y_mm)
    shape = (u.size, _SPLIT + 1, _SPLIT + 1)
    piece = np.where(np.isfinite(x), landing.piece, NO_PIECE).reshape(shape)
    low, high = _extremes(piece)
    _, on_top = _extremes(landing.on_top.reshape(shape).astype(np.int16))
    q, j, i = np.nonzero((low == high) & (low != NO_PIECE) & (on_top > 0))
    x, y = x.reshape(shape), y.reshape(shape)
    return Quads(
        x_px=np.stack([x[q, j, i], x[q, j, i + 1], x[q, j + 1, i + 1], x[q, j + 1, i]], axis=1),
        y_px=np.stack([y[q, j, i], y[q, j, i + 1], y[q, j + 1, i + 1], y[q, j + 1, i]], axis=1),
        flux=flux[q] / _SPLIT**2,
        pixel=pixel[q],
    )


def _extremes(piece: NDArray[np.int16]) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """Smallest and largest value at the four corners of each cell; (..., h + 1, w + 1) -> (..., h, w) twice."""
    corners = (piece[..., :-1, :-1], piece[..., :-1, 1:], piece[..., 1:, 1:], piece[..., 1:, :-1])
    return np.minimum.reduce(corners), np.maximum.reduce(corners)


def _corners(grid: Array, cells: NDArray[np.int64]) -> Array:
    """(N, 4) corner values, in order round each cell, of the chosen cells of a corner grid."""
    across = grid.shape[1]
    first = cells // (across - 1) * across + cells % (across - 1)
    flat = grid.ravel()
    return np.stack([flat[first], flat[first + 1], flat[first + across + 1], flat[first + across]], axis=1)


def _without_bow_ties(quads: Quads) -> Quads:
    """Quads on a fold as two triangles with half of the light each, and none without an area."""
    x, y = quads.x_px, quads.y_px
    first = (x[:, 1] - x[:, 0]) * (y[:, 2] - y[:, 0]) - (x[:, 2] - x[:, 0]) * (y[:, 1] - y[:, 0])
    second = (x[:, 2] - x[:, 0]) * (y[:, 3] - y[:, 0]) - (x[:, 3] - x[:, 0]) * (y[:, 2] - y[:, 0])
    crossed = np.flatnonzero(first * second <= 0.0)
    if crossed.size:
        plain, bow = quads.some(np.flatnonzero(first * second > 0.0)), quads.some(crossed)
        halves = [
            replace(bow, x_px=bow.x_px[:, order], y_px=bow.y_px[:, order], flux=bow.flux / 2.0)
            for order in ([0, 1, 2, 2], [0, 2, 3, 3])
        ]
        quads = joined([plain, *halves])
    flat = np.flatnonzero(np.abs(quad_area_px2(quads.x_px, quads.y_px)) < _SMALLEST_PX2)
    if not flat.size:
        return quads
    x, y = quads.x_px.copy(), quads.y_px.copy()
    side = np.sqrt(_SMALLEST_PX2)
    x[flat] = x[flat].mean(axis=1, keepdims=True) + side * np.array([-1.0, 1.0, 1.0, -1.0])
    y[flat] = y[flat].mean(axis=1, keepdims=True) + side * np.array([-1.0, -1.0, 1.0, 1.0])
    return replace(quads, x_px=x, y_px=y)
