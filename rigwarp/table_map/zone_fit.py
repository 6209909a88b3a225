"""One zone's smooth residual from the registered design: through averages of its samples, with its ripple beside it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode import CurveWaves
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.threads import by_parts, by_rows
from rigwarp.table_map.borders import Borders
from rigwarp.table_map.design_field import DesignField, design_field
from rigwarp.table_map.misfit import Misfit, find_misfit, judged_sigma
from rigwarp.table_map.pixel_steps import without_waves_of_pixels
from rigwarp.table_map.rims import Rims, Seen, find_rims
from rigwarp.table_map.ripple import Ripple, follow_ripple
from rigwarp.table_map.samples import Samples, bin_samples, taken
from rigwarp.table_map.smooth import SmoothSurface, smooth_surface
from rigwarp.tracing import OpticalModel
from rigwarp.tracing.scan_grid import fineness

_CELL_PX = 4  # samples are averaged over cells of so many projector pixels of 1080p before fitting
_KNOT_CELLS = 3  # knot spacing of the residual surface
_FEW = 100_000  # samples tell a median well enough
_GROSS = 10.0  # times the usual distance from the registered design, but at least ...
_GROSS_MM = 5.0  # ... this much: such a sample was decoded wrongly
_STRAY_MM = 2.0  # a sample this far from the fitted surface supports nothing
_RIM_PX = 3.0  # from the picture's border, blur mixes the stripes with darkness: positions err inwards by 0.15 px
_BETTER = 0.97  # times the squared distance of held-out samples: less is not worth a wave
_MIN_CELLS = 40  # of a zone; fewer do not carry a surface


@dataclass(frozen=True, kw_only=True)
class _Through:
    """A surface through averages over cells; `cell` (N,) says in which of them each sample lies."""

    cells: Samples
    sigma_mm: Array
    cell: NDArray[np.int64]
    surface: SmoothSurface

    def predicts_better_than(self, other: "_Through") -> bool:
        """Whether held-out samples lie clearly closer."""
        mine, theirs = (
            np.median(np.sum(through.surface.held.residual_mm**2, axis=1)) if len(through.surface.held) else np.inf
            for through in (self, other)
        )
        return bool(mine < _BETTER * theirs)


@dataclass(frozen=True, kw_only=True)
class ZoneFit:
    zone: int
    field: DesignField
    surface: SmoothSurface
    cell_px: int
    pitch_mm: float  # table mm per projector px
    ripple: Ripple
    curve_told: bool  # whether what is left of the camera's curve was taken out of the samples
    rims: Rims | None
    seen_px: NDArray[np.float32]  # (N, 2) positions that were decoded, where they agree with the surface
    cells: Samples
    sigma_mm: Array

    def beside_design(self, pixels_px: Array) -> Array:
        """(N, 2) mm by which light goes elsewhere than the registered design says."""
        return self.surface.value(pixels_px) + self.ripple.value(pixels_px)

    def misfit(self, shape: tuple[int, ...]) -> Misfit:
        """What held-out samples show beyond the noise."""
        return find_misfit(self.surface.held, shape, self.cell_px)

    def write_places(self, places_mm: Array, here: BoolArray) -> None:
        """Into x and y of places_mm (2, H, W) where the pixels of a mask (H, W) land."""
        of_design, beside = self.field.on_pixels(here), self.surface.on_pixels(here.shape)

        def fill(rows: slice) -> None:
            for whole, own, more in zip(places_mm, of_design(rows), beside(rows), strict=True):
                own += more
                np.copyto(whole[rows], own, where=here[rows])

        by_rows(fill, here.shape)
        if self.ripple.waves:
            for whole, wave in zip(places_mm, self.ripple.value(centres(here)).T, strict=True):
                whole[here] += wave

    def judged_sigma(self, shape: tuple[int, ...]) -> Array:
        """(K,) 1-sigma to expect of the held-out residuals."""
        return judged_sigma(self.surface.held, shape, self.cell_px)


def fit_zone(
    model: OpticalModel,
    zone: int,
    everything: Samples,
    borders: Borders,
    seen: Seen,
    curve_waves: CurveWaves = ((), ()),
) -> ZoneFit | None:
    own = borders.zone == zone
    # millions of samples are hundreds of megabytes: they are picked once, when it is known which
    rim = _on_the_rim(everything.pixels_px, model.projector.resolution) | everything.cut | ~borders.sound
    kept = np.flatnonzero(own & ~rim)
    if len(kept) < _MIN_CELLS:
        return None
    reach_px = borders.reach_px(zone)
    pixels_px = taken(everything.pixels_px, kept)
    corners_px = [[end(along) for along in pixels_px.T] for end in (np.min, np.max)]
    field = design_field(model, zone, np.concatenate([corners_px, reach_px]))
    residual, size, slope = _beside_design(field, everything.table_mm, kept, pixels_px)
    usual = float(np.nanmedian(size[:: max(1, len(size) // _FEW)])) if np.isfinite(size).any() else 0.0
    known: BoolArray = np.asarray(size < np.maximum(_GROSS * usual, _GROSS_MM))
    if not known.all():
        kept, pixels_px, residual, slope = kept[known], pixels_px[known], residual[known], slope[known]
    light = taken(everything.light, kept)
    rims = find_rims(seen, pixels_px, light, slope, model.projector.resolution[::-1])
    dim = np.zeros(len(kept), bool) if rims is None else ~rims.sound(pixels_px)
    del pixels_px, size, light
    faint = kept[dim]
    arrive = np.concatenate([np.flatnonzero(own & rim), faint])
    if dim.any():
        kept, residual, slope = kept[~dim], residual[~dim], slope[~dim]
    if len(kept) < _MIN_CELLS:
        return None
    samples = everything if len(kept) == len(everything) else everything.only(kept)
    residual, curve_told = without_waves_of_pixels(samples.pixels_px, residual, slope, curve_waves)
    cell_px = _CELL_PX * fineness(model.projector.resolution)
    through = _surface_through(field, samples, residual, slope, reach_px, cell_px)
    if through is None:
        return None

    def left_of(residual_mm: Array) -> Array:
        if residual_mm is residual:
            found: _Through | None = through
        else:
            found = _surface_through(field, samples, residual_mm, slope, reach_px, cell_px)
        if found is None:
            return residual_mm
        surface_mm = found.surface.value(samples.pixels_px)
        return np.subtract(residual_mm, surface_mm, out=surface_mm)

    ripple = follow_ripple(model, zone, samples, residual, slope, left_of, coarseness=cell_px / _CELL_PX)
    if ripple.waves:
        without = residual - ripple.value(samples.pixels_px)
        beside = _surface_through(field, samples, without, slope, reach_px, cell_px)
        if beside is not None and beside.predicts_better_than(through):
            through, residual = beside, without
        else:
            ripple = ripple.unfollowed
    # the surface hardly varies within a cell
    surface_mm = through.surface.value(through.cells.pixels_px)
    cell = through.cell

    def agreeing(part: slice) -> NDArray[np.float32]:
        left_mm = np.hypot(*(residual[part] - surface_mm.take(cell[part], axis=0)).T)
        agrees = (left_mm < _STRAY_MM) & (cell[part] >= 0)
        return samples.pixels_px[part].compress(agrees, axis=0).astype(np.float32)

    seen_px = by_parts(agreeing, len(samples))
    if rims is not None and len(faint):
        faint_px = everything.pixels_px[faint]
        beside_mm = through.surface.value(faint_px) + ripple.value(faint_px)
        rims = rims.measured(faint_px, everything.table_mm[faint] - field.table_mm(faint_px) - beside_mm)
    return ZoneFit(
        zone=zone,
        field=field,
        surface=through.surface,
        cell_px=cell_px,
        pitch_mm=float(np.median(np.sqrt(np.abs(np.linalg.det(slope[:: max(1, len(slope) // _FEW)]))))),
        ripple=ripple,
        curve_told=curve_told,
        rims=rims,
        seen_px=np.concatenate([*seen_px, everything.pixels_px[arrive].astype(np.float32)]),
        cells=through.cells,
        sigma_mm=through.sigma_mm,
    )


def _beside_design(
    field: DesignField, table_mm: Array, which: NDArray[np.intp], pixels_px: Array
) -> tuple[Array, Array, Array]:
    """(n, 2) and (n,) mm from the design's places of pixels (n, 2) to (N, 2) places that `which` picks; its slopes."""
    of_design, slope = field.table_and_slope_mm(pixels_px)
    size_mm = np.empty(len(which))

    def subtract(part: slice) -> None:
        np.subtract(table_mm.take(which[part], axis=0), of_design[part], out=of_design[part])
        np.hypot(of_design[part, 0], of_design[part, 1], out=size_mm[part])

    by_parts(subtract, len(which))
    return of_design, size_mm, slope


def _surface_through(
    field: DesignField, samples: Samples, residual_mm: Array, slope_mm: Array, reach_px: Array, cell_px: int
) -> _Through | None:
    """Averages over cells of (N, 2) residuals from the design, and the surface through them; None if too few.

    The surface is there at `reach_px` (M, 2), too.
    """
    cells, mean_residual, sigma, cell = bin_samples(samples, residual_mm, slope_mm, cell_px=cell_px)
    if len(cells) < _MIN_CELLS:
        return None
    # the mean residual is added to the design at the mean pixel: a mean of positions would feel the map's curvature
    cells = replace(cells, table_mm=field.table_mm(cells.pixels_px) + mean_residual)
    knot_px = float(_KNOT_CELLS * cell_px)
    surface = smooth_surface(cells.pixels_px, mean_residual, sigma, cell_px=knot_px, reach_px=reach_px)
    return _Through(cells=cells, sigma_mm=sigma, cell=cell, surface=surface)


def _on_the_rim(pixels_px: Array, resolution: tuple[int, int]) -> BoolArray:
    """(N,) True for positions at the border of the projector picture: they say that light arrives, not where."""
    last = np.array(resolution) - 1.0
    across, down = ((along < _RIM_PX) | (along > n - _RIM_PX) for along, n in zip(pixels_px.T, last, strict=True))
    return np.asarray(across | down)


def centres(here: BoolArray) -> Array:
    """(n, 2) pixels of a mask (H, W)."""
    return np.argwhere(here)[:, ::-1].astype(float)
