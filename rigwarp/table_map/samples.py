"""Samples of the map: which projector position was seen at which place on the table."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoded, shift_px
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.threads import in_two_threads
from rigwarp.rig import Table, inside_table

_MIN_SAMPLES = 500
_OUTLIER_SIGMAS = 6.0
_FEW = 100_000  # samples tell a median well enough
_PASSES = 3
_CHUNK = 1 << 17
_EDGE_PX = 7  # three on either side of a pixel


@dataclass(frozen=True, kw_only=True)
class Samples:
    """N samples.

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
    count: NDArray[np.int64]
    cut: BoolArray = field(default_factory=lambda: np.zeros(0, bool))

    def __post_init__(self) -> None:
        if not len(self.cut):
            object.__setattr__(self, "cut", np.zeros(len(self), bool))

    def __len__(self) -> int:
        return len(self.pixels_px)

    def only(self, which: NDArray[Any]) -> "Samples":
        """The samples that a mask or index array picks."""
        return Samples(
            pixels_px=self.pixels_px[which],
            sigma_px=self.sigma_px[which],
            table_mm=self.table_mm[which],
            light=self.light[which],
            camera_px=self.camera_px[which],
            count=self.count[which],
            cut=self.cut[which],
        )


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
    v, u = np.nonzero(decoded.valid)
    camera_px = np.stack([u, v], axis=-1).astype(float)
    if moved is not None:
        for _ in range(2):  # the shift is that of the place before
            camera_px = np.stack([u, v], axis=-1) - shift_px(moved, camera_px, decoded.reason.shape)
    parts = np.array_split(camera_px, len(camera_px) // _CHUNK + 1)
    table_mm = np.concatenate(in_two_threads(lambda part: camera.to_plane(part, table.height_mm), parts))
    keep: BoolArray = np.asarray(np.isfinite(table_mm).all(axis=-1))
    keep[keep] = inside_table(table, table_mm[keep])
    if np.count_nonzero(keep) < _MIN_SAMPLES:
        raise MeasurementError(
            f"{len(camera_px)} camera pixels decode, but only {np.count_nonzero(keep)} of them look at the table "
            f"region ({_MIN_SAMPLES} are needed): check camera.json (was the camera moved?) and the [table] size in "
            "rig.toml"
        )
    v, u = v[keep], u[keep]
    pixels_px = np.stack([decoded.u_px[v, u], decoded.v_px[v, u]], axis=-1).astype(float)
    return Samples(
        pixels_px=pixels_px,
        sigma_px=np.stack([decoded.sigma_u_px[v, u], decoded.sigma_v_px[v, u]], axis=-1).astype(float),
        table_mm=table_mm[keep],
        light=decoded.light[v, u].astype(float),
        camera_px=camera_px[keep],
        count=np.ones(np.count_nonzero(keep), np.int64),
        cut=np.zeros(len(pixels_px), bool) if lit is None else _at_the_edge(lit, pixels_px),
    )


def _at_the_edge(lit: BoolArray, pixels_px: Array) -> BoolArray:
    """(N,) whether the edge of what is lit (H, W) runs within three pixels of a position."""
    edge = maximum_filter(lit, _EDGE_PX) != minimum_filter(lit, _EDGE_PX)
    u, v = (np.clip(np.rint(p).astype(int), 0, n - 1) for p, n in zip(pixels_px.T, lit.shape[::-1], strict=True))
    return np.asarray(edge[v, u])


def join_samples(parts: Sequence[Samples]) -> Samples:
    """All samples of several scans or zones."""

    def joined(name: str) -> Array:
        return np.concatenate([getattr(part, name) for part in parts])

    return Samples(
        pixels_px=joined("pixels_px"),
        sigma_px=joined("sigma_px"),
        table_mm=joined("table_mm"),
        light=joined("light"),
        camera_px=joined("camera_px"),
        count=np.concatenate([part.count for part in parts]),
        cut=np.concatenate([part.cut for part in parts]),
    )


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
    column, row = (np.floor((samples.pixels_px + 0.5) / cell_px).astype(np.int64)).T
    row, column = row - row.min(), column - column.min()
    cell = row * (int(column.max()) + 1) + column
    number = int(cell.max()) + 1
    variance = (
        (slope_mm[:, 0, 0] ** 2 + slope_mm[:, 1, 0] ** 2) * samples.sigma_px[:, 0] ** 2
        + (slope_mm[:, 0, 1] ** 2 + slope_mm[:, 1, 1] ** 2) * samples.sigma_px[:, 1] ** 2
    ) / 2.0
    known = np.sqrt(variance)
    kept = np.ones(len(samples), bool)
    for _ in range(_PASSES):
        weight = np.where(kept, 1.0 / variance, 0.0)
        total = np.maximum(np.bincount(cell, weight, number), 1e-300)

        def mean(values: Array, weight: Array = weight, total: Array = total) -> Array:
            columns = values.reshape(len(values), -1).T
            return np.stack([np.bincount(cell, weight * c, number) / total for c in columns], axis=-1)

        centre = mean(residual_mm)
        off = np.abs(residual_mm - centre[cell])
        distance = np.maximum(off[:, 0], off[:, 1])
        spread = known + 0.5 * np.median(distance[:: max(1, len(distance) // _FEW)])
        kept = distance < _OUTLIER_SIGMAS * spread
    count = np.bincount(cell, kept, number).astype(np.int64)
    occupied = count > 0
    sigma = 1.0 / np.sqrt(total)
    cells = Samples(
        pixels_px=mean(samples.pixels_px),
        sigma_px=mean(samples.sigma_px) / np.sqrt(np.maximum(count, 1))[:, None],
        table_mm=mean(samples.table_mm),
        light=mean(samples.light)[:, 0],
        camera_px=mean(samples.camera_px),
        count=count,
    )
    place = np.where(occupied, np.cumsum(occupied) - 1, -1)
    return cells.only(occupied), mean(residual_mm)[occupied], sigma[occupied], place[cell]
