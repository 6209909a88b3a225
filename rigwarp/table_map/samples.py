"""Samples of the map: which projector position was seen at which place on the table."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, Reason, shift_px
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.threads import by_parts, by_rows
from rigwarp.rig import Table, inside_table
from rigwarp.tracing.scan_grid import GridSpread, usual_step_px

_MIN_SAMPLES = 500
_OUTLIER_SIGMAS = 6.0
_FEW = 100_000  # samples tell a median well enough
_PASSES = 3
_CHUNK = 1 << 19
_NODES_ACROSS = 240  # of a grid in the camera's picture that is fine against any lens
_EDGE_PX = 7  # three on either side of a pixel


@dataclass(frozen=True, kw_only=True)
class Samples:
    """N samples; what the decoder says in single precision may stay so.

    Attributes
    ----------
    pixels_px : (N, 2) projector position (u, v).
    sigma_px : (N, 2) its 1-sigma.
    table_mm : (N, 2) table position.
    light : (N,) relative light there at white.
    camera_px : (N, 2) the camera position that saw it.
    count : (N,) how many camera pixels each sample stands for.
    cut : (N,) whether the picture ended so near to it that blur mixed its stripes with darkness, which draws positions
        inwards by up to 0.15 px: it says that light arrives, not where.
    """

    pixels_px: Array
    sigma_px: Array
    table_mm: Array
    light: Array
    camera_px: Array
    count: NDArray[np.integer]
    cut: BoolArray = field(default_factory=lambda: np.zeros(0, bool))

    def __post_init__(self) -> None:
        if not len(self.cut):
            object.__setattr__(self, "cut", np.zeros(len(self), bool))

    def __len__(self) -> int:
        return len(self.pixels_px)

    def only(self, which: NDArray[Any]) -> "Samples":
        """The samples that a mask or index array picks."""
        index = np.flatnonzero(which) if which.dtype == bool else which
        return Samples(**{one.name: taken(getattr(self, one.name), index) for one in fields(self)})


def taken(values: NDArray[Any], index: NDArray[np.integer]) -> NDArray[Any]:
    """`values[index]`, in two threads."""
    found = np.empty((len(index), *values.shape[1:]), values.dtype)

    def fill(part: slice) -> None:
        found[part] = values.take(index[part], axis=0)

    by_parts(fill, len(index))
    return found


def samples_from_scan(
    decoded: Decoded,
    camera: CameraModel,
    table: Table,
    lit: BoolArray | None = None,
    *,
    moved: Array | None = None,
) -> Samples:
    """One sample per decoded camera pixel that looks at the table region.

    What lies outside the region may be the floor, at another height, and is left out.

    Parameters
    ----------
    lit : (H, W) the part of the projector picture that was shown; None for all of it.
    moved : fields by which the picture was shifted because the camera stood elsewhere; None where it did not.

    Raises
    ------
    MeasurementError
        If there are hardly any.
    """
    shape = decoded.reason.shape
    on_plane = _OnPlane(camera, table.height_mm)

    def of_rows(rows: slice) -> list[Array]:
        """Position, its sigma, place, light and camera pixel of the samples of some rows."""
        index = np.flatnonzero(decoded.reason[rows] == Reason.OK)
        v, u = np.divmod(index, shape[1])
        camera_px = np.stack([u, v + rows.start], axis=-1).astype(np.float32)
        if moved is None:
            table_mm = on_plane.of_rows(rows, index)
        else:
            whole_px = camera_px.astype(float)
            at_px = whole_px
            for _ in range(2):  # the shift is that of the place before
                at_px = whole_px - shift_px(moved, at_px, shape)
            table_mm, camera_px = camera.to_plane(at_px, table.height_mm), at_px.astype(np.float32)
        keep = np.flatnonzero(np.isfinite(table_mm).all(axis=-1))
        keep = keep[inside_table(table, table_mm.take(keep, axis=0))]  # unlike brackets `take` lets others go on
        index = index.take(keep)

        def picked(*names: str) -> list[Array]:
            return [np.take(getattr(decoded, name)[rows], index) for name in names]

        return [
            np.stack(picked("u_px", "v_px"), axis=-1).astype(float),
            np.stack(picked("sigma_u_px", "sigma_v_px"), axis=-1),
            table_mm.take(keep, axis=0),
            *picked("light"),
            camera_px.take(keep, axis=0),
        ]

    pixels_px, sigma_px, table_mm, light, camera_px = _gathered(of_rows, decoded)
    if len(pixels_px) < _MIN_SAMPLES:
        raise MeasurementError(
            f"{np.count_nonzero(decoded.valid)} camera pixels decode, but only {len(pixels_px)} of them look at the "
            f"table region ({_MIN_SAMPLES} are needed): check camera.json (was the camera moved?) and the [table] size "
            "in rig.toml"
        )
    return Samples(
        pixels_px=pixels_px,
        sigma_px=sigma_px,
        table_mm=table_mm,
        light=light,
        camera_px=camera_px,
        count=np.ones(len(pixels_px), np.int32),
        cut=np.zeros(len(pixels_px), bool) if lit is None else _at_the_edge(lit, pixels_px),
    )


def _gathered(of_rows: Callable[[slice], list[Array]], decoded: Decoded) -> list[Array]:
    """What `of_rows` tells of bands of rows, put together; of at most every pixel that is decoded.

    Each band has its place from the start, so that millions of samples are not there twice.
    """
    shape = decoded.reason.shape
    bands = by_rows(lambda rows: (rows.start, np.count_nonzero(decoded.reason[rows] == Reason.OK)), shape)
    tops, counts = zip(*bands, strict=True)
    begins = dict(zip(tops, np.cumsum((0, *counts)).tolist(), strict=False))
    whole = [np.empty((sum(counts), *one.shape[1:]), one.dtype) for one in of_rows(slice(0, 1))]

    def fill(rows: slice) -> tuple[int, int]:
        begin, found = begins[rows.start], of_rows(rows)
        for array, part in zip(whole, found, strict=True):
            array[begin : begin + len(part)] = part
        return begin, len(found[0])

    end = 0
    for begin, count in by_rows(fill, shape):
        if begin > end:
            for array in whole:
                array[end : end + count] = array[begin : begin + count]
        end += count
    return [array[:end] for array in whole]


class _OnPlane:
    """Where whole camera pixels look: traced at every few, and interpolated to the fifth order, to 1e-8 mm."""

    def __init__(self, camera: CameraModel, height_mm: float) -> None:
        self._camera, self._height_mm = camera, height_mm
        step_px = usual_step_px(camera.resolution, nodes_across=_NODES_ACROSS)
        self._spread = GridSpread(camera.resolution, step_px=step_px)
        nodes_mm = camera.to_plane(self._spread.nodes_px.reshape(-1, 2), height_mm)
        self._across = [self._spread.across(values) for values in nodes_mm.T]

    def of_rows(self, rows: slice, index: NDArray[np.intp]) -> Array:
        """(n, 2) mm of the n pixels of some rows that are picked, counted from the first one's."""
        if not index.size:
            return np.zeros((0, 2))
        v, u = np.divmod(index, self._camera.resolution[0])
        first, last = int(u.min()), int(u.max()) + 1
        at = v * (last - first) + (u - first)
        found = np.stack([self._spread.down(a[:, first:last], rows).take(at) for a in self._across], axis=-1)
        # where a ray nearby misses the plane, or the lens folds
        lost = np.flatnonzero(np.isnan(found[:, 0]))
        if lost.size:
            seen_px = np.stack([u[lost], v[lost] + rows.start], axis=-1)
            found[lost] = self._camera.to_plane(seen_px, self._height_mm)
        return found


def _at_the_edge(lit: BoolArray, pixels_px: Array) -> BoolArray:
    """(N,) whether the edge of what is lit (H, W) runs within three pixels of a position."""
    edge = maximum_filter(lit, _EDGE_PX) != minimum_filter(lit, _EDGE_PX)
    u, v = (np.clip(np.rint(p).astype(int), 0, n - 1) for p, n in zip(pixels_px.T, lit.shape[::-1], strict=True))
    return np.asarray(edge[v, u])


def join_samples(parts: Sequence[Samples]) -> Samples:
    """All samples of several scans or zones."""
    if len(parts) == 1:
        return parts[0]
    return Samples(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Samples)})


def bin_samples(
    samples: Samples, residual_mm: Array, slope_mm: Array, *, cell_px: int
) -> tuple[Samples, Array, Array, NDArray[np.int64]]:
    """Average the samples in square cells of the projector picture, leaving out those that disagree with their cell.

    Parameters
    ----------
    samples : N samples.
    residual_mm : (N, 2) their distance from a map that is nearly right, so that it hardly varies within a cell.
    slope_mm : (N, 2, 2) d(table mm) / d(projector px) there.
    cell_px : cell size.

    Returns
    -------
    cells : one sample per occupied cell, at the mean position of its members, table_mm the mean.
    residual_mm : (M, 2) mean residual of each cell.
    sigma_mm : (M,) 1-sigma of that mean, per axis.
    cell : (N,) in which of them each sample lies; -1 for a sample whose whole cell was left out.
    """
    cell, number = _cell_numbers(samples.pixels_px, cell_px)
    sigma, weight, distance = (np.empty(len(samples)) for _ in range(3))

    def summed(values: Array | None) -> Array:
        """(number, k) weighted sums over cells of (N,) or (N, k) values; of None, of the weights."""

        def of(part: slice) -> Array:
            share = weight[part]
            if values is None:
                return np.asarray(np.bincount(cell[part], share, number)[:, None], float)
            columns = values[part].reshape(len(share), -1).T
            return np.stack([np.bincount(cell[part], share * c, number) for c in columns], axis=-1)

        return np.asarray(sum(by_parts(of, len(samples), at_once=_CHUNK)))

    def find_sigma(part: slice) -> None:
        sigma_px, slope = samples.sigma_px[part].astype(float), slope_mm[part]
        along, down = (slope[:, 0, i] ** 2 + slope[:, 1, i] ** 2 for i in (0, 1))
        sigma[part] = np.sqrt((along * sigma_px[:, 0] ** 2 + down * sigma_px[:, 1] ** 2) / 2.0)

    def weigh(part: slice) -> None:
        weight[part] = kept[part] / sigma[part] ** 2

    def members(part: slice) -> NDArray[np.int64]:
        return np.bincount(cell[part].compress(kept[part]), minlength=number)

    by_parts(find_sigma, len(samples))
    kept = np.ones(len(samples), bool)
    for _ in range(_PASSES):
        by_parts(weigh, len(samples))
        total = np.maximum(summed(None)[:, 0], 1e-300)
        centre = summed(residual_mm) / total[:, None]

        def find_distance(part: slice, centre: Array = centre) -> None:
            off = np.abs(residual_mm[part] - centre.take(cell[part], axis=0))
            distance[part] = np.maximum(off[:, 0], off[:, 1])

        by_parts(find_distance, len(samples))
        usual = 0.5 * np.median(distance[:: max(1, len(distance) // _FEW)])

        def judge(part: slice, usual: float = usual) -> bool:
            """Whether any sample is judged otherwise than before."""
            near = distance[part] < _OUTLIER_SIGMAS * (sigma[part] + usual)
            changed = not np.array_equal(near, kept[part])
            kept[part] = near
            return changed

        if not any(by_parts(judge, len(samples))):
            break  # another pass would find the same
    count = np.sum(by_parts(members, len(samples), at_once=_CHUNK), axis=0)
    occupied = count > 0

    def mean(values: Array) -> Array:
        return summed(values)[occupied] / total[occupied, None]

    cells = Samples(
        pixels_px=mean(samples.pixels_px),
        sigma_px=mean(samples.sigma_px) / np.sqrt(count[occupied])[:, None],
        table_mm=mean(samples.table_mm),
        light=mean(samples.light)[:, 0],
        camera_px=mean(samples.camera_px),
        count=count[occupied],
    )
    place = np.where(occupied, np.cumsum(occupied) - 1, -1)
    return cells, mean(residual_mm), 1.0 / np.sqrt(total[occupied]), taken(place, cell)


def _cell_numbers(pixels_px: Array, cell_px: int) -> tuple[NDArray[np.int64], int]:
    """(N,) number of the cell that each of (N, 2) pixels lies in, and how many numbers there are."""

    def cells(along: Array) -> NDArray[np.int64]:
        return np.asarray(np.floor((along + 0.5) / cell_px), np.int64)

    lowest, highest = (cells(np.array([end(along) for along in pixels_px.T])) for end in (np.min, np.max))
    columns, rows = (highest - lowest + 1).tolist()
    number = np.empty(len(pixels_px), np.int64)

    def fill(part: slice) -> None:
        column, row = (cells(along) - first for along, first in zip(pixels_px[part].T, lowest, strict=True))
        np.add(row * columns, column, out=number[part])

    by_parts(fill, len(pixels_px))
    return number, rows * columns
