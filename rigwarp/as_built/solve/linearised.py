"""Landing points of all samples and their derivatives by every unknown, and the normal equations made of them."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rigwarp.as_built.solve.figure_basis import DEGREE, FigureBasis
from rigwarp.as_built.solve.fit_data import LitPixels, Spots
from rigwarp.as_built.solve.ray_geometry import Deviation, SpotMap, ZoneRays, mounting_jacobian, with_optics, zone_rays
from rigwarp.geometry import Array, BoolArray, Rows
from rigwarp.geometry.threads import by_parts
from rigwarp.tracing import OpticalModel, Surface

N_MOUNT = 12
N_OPTICS = 3
PER_SAMPLE = (DEGREE + 1) ** 2
_PART = 2048  # samples whose rows stay near the processor


@dataclass(frozen=True, kw_only=True)
class Linearised(Spots):
    """N landing points and their derivatives.

    Attributes
    ----------
    table_mm : (N, 2) landing points.
    dense : (N, 2, 15 + c) by mounting, optics and the camera's c whitened errors.
    figure : (N, 2, p) by the p = 36 spline coefficients that matter to each sample, mm per mm.
    by_height : (N, 2, 3) by height (mm) and slopes of the figure at each sample.
    columns : (N, p) which coefficients those are.
    """

    table_mm: Array
    dense: Array
    figure: Array
    by_height: Array
    columns: NDArray[np.int64]

    def apply(self, step: Array) -> Array:
        """(N, 2) first-order move of the landing points for a step (15 + c + K,)."""
        n_dense = self.dense.shape[-1]
        move = self.dense @ step[:n_dense] + np.einsum("nij,nj->ni", self.figure, step[n_dense:][self.columns])
        return np.asarray(move, float)

    def normal_matrix(self, weight: Array, size: int) -> Array:
        """(size, size) J^T W J with weights (N,) per axis.

        Samples of one spline cell share their coefficients: a dense product for each cell, all added up at once.
        """
        n_dense, p = self.dense.shape[-1], self.figure.shape[-1]
        count = size - n_dense
        flat = self.dense.reshape(-1, n_dense)
        order = np.argsort(self.columns[:, 0], kind="stable")
        begins = np.flatnonzero(np.diff(self.columns[order, 0], prepend=-1))
        root = np.sqrt(weight[order])[:, None, None]
        rows = np.concatenate([root * self.figure[order], root * self.dense[order]], axis=-1)
        squares, others = np.empty((len(begins), p, p)), np.empty((len(begins), p, n_dense))
        for square, other, begin, end in zip(squares, others, begins, [*begins[1:], len(order)], strict=True):
            own = rows[begin:end].reshape(-1, p + n_dense)
            np.matmul(own[:, :p].T, own[:, :p], out=square)
            np.matmul(own[:, :p].T, own[:, p:], out=other)
        at = self.columns[order[begins]]
        pairs = at[:, :, None] * count + at[:, None]
        added = sparse.csr_array((np.ones(at.size), (at.ravel(), np.arange(at.size))), shape=(count, at.size))
        cross = added @ others.reshape(-1, n_dense)
        figure = np.bincount(pairs.ravel(), squares.ravel(), count * count).reshape(count, count)
        return np.block([[flat.T @ (np.repeat(weight, 2)[:, None] * flat), cross.T], [cross, figure]])

    def gradient(self, weight: Array, residual_mm: Array, size: int) -> Array:
        """(size,) J^T W r."""
        weighted = weight[:, None] * residual_mm
        dense = np.einsum("nij,ni->j", self.dense, weighted)
        each = np.einsum("nij,ni->nj", self.figure, weighted)
        return np.append(dense, np.bincount(self.columns.ravel(), each.ravel(), minlength=size - len(dense)))


def moved_model(design: OpticalModel, mounting: Array) -> OpticalModel:
    """The design with (15,) mounting and optics changes: twelve shifts and turns, throw share, lens shifts."""
    m = mounting
    return with_optics(design.moved(m[0:3], m[3:6], m[6:9], m[9:12]), m[12:15])


@dataclass(frozen=True, kw_only=True)
class FigureRows(Rows):
    """Spline values (N, p) and slopes at the spots (N, 2) of N samples on the mirror, and their columns (N, p)."""

    columns: NDArray[np.int64]
    value: Array
    slope_x: Array
    slope_y: Array
    spot_mm: Array

    @classmethod
    def at(cls, basis: FigureBasis, local_mm: Array, zone: NDArray[np.integer]) -> "FigureRows":
        """Rows for spots (N, 2) of the zones' own frames; rows of NaN spots are those of the spline's corner."""
        value, slope_x, slope_y = (np.zeros((len(local_mm), PER_SAMPLE)) for _ in range(3))
        columns = np.zeros(value.shape, np.int64)
        for number, spline, start in zip(basis.zones, basis.splines, basis.starts, strict=True):
            here = zone == number
            spot = local_mm[here]
            x, y = np.where(np.isfinite(spot), spot, spline.start_mm).T
            for target, order in ((value, (0, 0)), (slope_x, (1, 0)), (slope_y, (0, 1))):
                block = spline.design_matrix(x, y, nux=order[0], nuy=order[1])
                target[here] = block.data.reshape(-1, PER_SAMPLE)
            columns[here] = block.indices.reshape(-1, PER_SAMPLE) + start
        return cls(columns=columns, value=value, slope_x=slope_x, slope_y=slope_y, spot_mm=local_mm)

    @classmethod
    def none(cls, n: int) -> "FigureRows":
        """No figure at all."""
        e = np.zeros((n, 0))
        return cls(columns=e.astype(np.int64), value=e, slope_x=e, slope_y=e, spot_mm=np.zeros((n, 2)))

    def deviation(self, coefficients_mm: Array, which: BoolArray | slice) -> Deviation:
        """Heights and slopes of the chosen samples."""
        mine = coefficients_mm[self.columns[which]]
        sums = [np.einsum("ni,ni->n", rows[which], mine) for rows in (self.value, self.slope_x, self.slope_y)]
        return Deviation(height_mm=sums[0], slope=np.stack(sums[1:], axis=-1), spots=self.spots(which))

    def spots(self, which: BoolArray | slice) -> SpotMap:
        """The smooth map of the chosen samples' spots; kept, since the fit asks for the same ones at every pass."""
        key = which.tobytes() if isinstance(which, np.ndarray) else repr(which)
        if key not in self._spots:
            self._spots[key] = SpotMap(spot_mm=self.spot_mm[which])
        return self._spots[key]

    @cached_property
    def _spots(self) -> dict[str | bytes, SpotMap]:
        return {}


Figure = tuple[FigureRows, Array]
"""Rows of N samples, and the coefficients (K,), mm, that they are for."""


def _traced(model: OpticalModel, lit: LitPixels, figure: Figure | None) -> Iterator[tuple[BoolArray | slice, ZoneRays]]:
    """Rays zone by zone: which samples, and their rays."""
    rows, coefficients_mm = figure or (FigureRows.none(len(lit.zone)), np.zeros(0))
    for surface in model.surfaces:
        own = lit.zone == surface.zone
        if own.any():
            here = slice(None) if own.all() else own
            deviation = rows.deviation(coefficients_mm, here)
            height = None if lit.height_mm is None else lit.height_mm[here]
            yield here, zone_rays(model, surface, lit.pixels_px[here], deviation, height_mm=height)


def landing(design: OpticalModel, mounting: Array, lit: LitPixels, figure: Figure | None = None) -> Array:
    """(N, 2) landing points alone; arguments as in `linearise`."""
    table = np.full((len(lit.zone), 2), np.nan)
    for here, rays in _traced(moved_model(design, mounting), lit, figure):
        table[here] = rays.table_mm
    return table


def hits(design: OpticalModel, mounting: Array, surface: Surface, pixels_px: Array) -> Array:
    """(N, 2) where pixels' rays meet one surface of the design, mounted so, in its own frame."""
    return zone_rays(moved_model(design, mounting), surface, pixels_px, Deviation.none(len(pixels_px))).local_mm


def linearise(
    design: OpticalModel, mounting: Array, lit: LitPixels, figure: Figure | None = None, *, camera: Array | None = None
) -> Linearised:
    """Trace exactly and differentiate.

    Parameters
    ----------
    design : as in rig.toml.
    mounting : (15,) see `moved_model`.
    lit : N samples.
    figure : None for a mirror as designed.
    camera : (N, 2, c) d(table mm) / d(whitened camera errors), passed through; none where left out.
    """
    model = moved_model(design, mounting)
    n = len(lit.zone)
    rows = FigureRows.none(n) if figure is None else figure[0]
    table, local = np.full((n, 2), np.nan), np.full((n, 2), np.nan)
    mirror, normal = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    mount, by_height = np.full((n, 2, N_MOUNT + N_OPTICS), np.nan), np.full((n, 2, 3), np.nan)
    increment = _turn_increments(mounting)
    for here, rays in _traced(model, lit, figure):
        table[here], local[here] = rays.table_mm, rays.local_mm
        mirror[here] = model.mirror.to_part(rays.point_mm)
        normal[here] = rays.normal @ model.mirror.rotation
        mount[here] = mounting_jacobian(model, rays, lit.pixels_px[here]) @ increment
        by_height[here] = rays.by_height()
    by_figure = np.empty((n, 2, rows.value.shape[1]))

    def fill(part: slice) -> None:
        for axis in (0, 1):
            sums = by_height[part, axis, 0, None] * rows.value[part]
            sums += by_height[part, axis, 1, None] * rows.slope_x[part]
            sums += by_height[part, axis, 2, None] * rows.slope_y[part]
            by_figure[part, axis] = sums

    by_parts(fill, n, at_once=_PART)
    return Linearised(
        table_mm=table,
        dense=mount if camera is None else np.concatenate([mount, camera], axis=-1),
        figure=by_figure,
        by_height=by_height,
        columns=rows.columns,
        local_mm=local,
        mirror_mm=mirror,
        normal=normal,
    )


def _turn_increments(mounting: Array) -> Array:
    """(15, 15): increments along table axes by changes of the mounting numbers.

    A rotation vector w changed by dw turns the part by a further J dw, J = I + w x / 2 + (w x)^2 / 6 to second order.
    """
    result = np.eye(N_MOUNT + N_OPTICS)
    result[N_MOUNT, N_MOUNT] = 1.0 / (1.0 + mounting[N_MOUNT])  # growth on top of the growth so far
    for at in (3, 9):
        w = mounting[at : at + 3]
        cross = np.cross(w, np.eye(3)).T
        result[at : at + 3, at : at + 3] = np.eye(3) + cross / 2.0 + cross @ cross / 6.0
    return result
