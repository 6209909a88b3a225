"""The table map: registered design plus a smooth residual per zone, on the whole projector grid."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.geometry.threads import all_in_two_threads, in_two_threads
from rigwarp.table_map.beyond import beyond_samples
from rigwarp.table_map.borders import Border, Borders, find_borders
from rigwarp.table_map.design_field import DesignField, design_field
from rigwarp.table_map.misfit import HeldSamples, Misfit, find_misfit, join_held, judged_sigma
from rigwarp.table_map.pixel_steps import without_pixel_steps
from rigwarp.table_map.registration import Registration, register
from rigwarp.table_map.rims import Rims, Seen, find_rims, find_seen
from rigwarp.table_map.ripple import MapRipple, Ripple, follow_ripple
from rigwarp.table_map.samples import Samples, bin_samples, join_samples
from rigwarp.table_map.smooth import SmoothSurface, smooth_surface
from rigwarp.table_map.support import light_picture, support
from rigwarp.table_map.uncertainty import SpreadSigma, common_sigma, motion_left_mm, spread_sigma
from rigwarp.table_map.zones import assign_zones, zone_owners
from rigwarp.tracing import OpticalModel, trace_map

Common = Callable[[Array, BoolArray], Array]
"""(H, W) 1-sigma per axis that neighbouring positions (H, W, 2) share, mm, where they are answered (H, W)."""
_CELL_PX = 4  # samples are averaged over cells of so many projector pixels before fitting, twice as many where ...
_FINE_PICTURE_PX = 1920  # ... a picture is twice as wide: finer pixels do not make a mirror bend more finely
_KNOT_CELLS = 3  # knot spacing of the residual surface
_FEW = 100_000  # samples tell a median well enough
_GROSS = 10.0  # times the usual distance from the registered design, but at least ...
_GROSS_MM = 5.0  # ... this much: such a sample was decoded wrongly
_STRAY_MM = 2.0  # a sample this far from the fitted surface supports nothing
_RIM_PX = 3.0  # from the picture's border, blur mixes the stripes with darkness: positions err inwards by 0.15 px
_PROVEN = (0.9, 1.1)  # spread of held-out residuals over sigma
_TILE_CELLS = 24
_TILE_Z = 1.3  # in a tile with ...
_FEW_HELD = 50  # ... so many held-out samples chance gives 1.2 at most
_BETTER = 0.97  # times the squared distance of held-out samples: less is not worth a wave
_MIN_CELLS = 40  # of a zone; fewer do not carry a surface


@dataclass(frozen=True, kw_only=True)
class HeldOut:
    """Distance between the map and samples that were not used for it (cells of 4 x 4 projector pixels, 8 x 8 at 4K).

    Attributes
    ----------
    n, rms_mm, p95_mm, max_mm : how many, and how far.
    z_spread : distance over the stated sigma, which counts what other tiles showed beyond the noise.
    z_spread_of_noise : the same over what noise alone explains.
    """

    n: int
    rms_mm: float
    p95_mm: float
    max_mm: float
    z_spread: float
    z_spread_of_noise: float


@dataclass(frozen=True, kw_only=True)
class TableMapFit:
    """The measured table map and what is needed to judge it.

    Attributes
    ----------
    table_map : the result.
    random_mm, common_mm : (H, W) its two parts of sigma: decoding and fit; camera lens and pose.
    decode_mm, ripple_mm, border_mm, light_change_mm, bands_mm : (H, W) of the random part, what decode noise alone
        explains, what samples cannot tell of a ripple, what the place of the border between zones leaves open, and what
        is left of light that changed during the scan, and of bands.
    light : (H, W) relative light that each projector pixel makes on the table at white; NaN unknown.
    registration : how the design had to be moved.
    design : the moved design's own map.
    held_out : the honest residual.
    not_proven : why the held-out samples do not bear the stated sigma out, and where; empty if they do.
    borders : where the zones meet as built.
    ripples : regular ripple that the map follows, told zone by zone.
    cells : the averaged samples, (N) of them, with `cell_sigma_mm` (N,) and `cell_zone` (N,); `cell_ripple_mm` (N, 2)
        is what was taken off them as ripple, None where there is none.
    samples_used, samples_offered : camera pixels.
    """

    table_map: PixelMap
    random_mm: Array
    common_mm: Array
    decode_mm: Array
    ripple_mm: Array
    border_mm: Array
    light_change_mm: Array
    bands_mm: Array
    light: Array
    registration: Registration
    design: PixelMap
    held_out: HeldOut
    not_proven: str
    borders: tuple[Border, ...]
    ripples: tuple[MapRipple, ...]
    cells: Samples
    cell_sigma_mm: Array
    cell_zone: NDArray[np.int64]
    cell_ripple_mm: Array | None
    samples_used: int
    samples_offered: int


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
class _ZoneFit:
    zone: int
    field: DesignField
    surface: SmoothSurface
    cell_px: int
    pitch_mm: float  # table mm per projector px
    ripple: Ripple
    rims: Rims | None
    samples: Samples  # those that agree with the surface
    cells: Samples
    sigma_mm: Array

    def beside_design(self, pixels_px: Array) -> Array:
        """(N, 2) mm by which light goes elsewhere than the registered design says."""
        return self.surface.value(pixels_px) + self.ripple.value(pixels_px)

    def misfit(self, shape: tuple[int, ...]) -> Misfit:
        """What held-out samples show beyond the noise."""
        return find_misfit(self.surface.held, shape, self.cell_px)

    def places_mm(self, here: BoolArray) -> Array:
        """(n, 2) where the n pixels of a mask (H, W) land."""
        places = self.field.on_pixels(here.shape, here) + self.surface.on_pixels(here.shape)[here]
        return places + self.ripple.value(_centres(here)) if self.ripple.waves else places

    def judged_sigma(self, shape: tuple[int, ...]) -> Array:
        """(K,) 1-sigma to expect of the held-out residuals."""
        return judged_sigma(self.surface.held, shape, self.cell_px)


def fit_table_map(
    model: OpticalModel,
    samples: Samples,
    camera: CameraModel | Common,
    tolerances: Array,
    *,
    motion_px: float = 0.0,
    light_px: float = 0.0,
    bands_px: float = 0.0,
) -> TableMapFit:
    """Fit the table map to the samples of a scan.

    Parameters
    ----------
    model : the traced design.
    samples : one per decoded camera pixel.
    camera : lens and pose, for the common part of the uncertainty; or what tells it.
    tolerances : (12,) mounting tolerances, see `mounting_tolerances`.
    motion_px : 1-sigma of what taking out a motion of the camera left of it, camera pixels per axis.
    light_px, bands_px : 1-sigma of what taking out changes of the light, and bands, left of them, projector pixels per
        axis; neighbours share it, so that no fit averages it away.

    Raises
    ------
    MeasurementError
        If no zone has enough samples.
    """
    registration = _register(model, samples, tolerances)
    design = trace_map(registration.model)
    borders = find_borders(registration.model, design.zone, samples)
    seen = find_seen(samples, borders, design.zone.shape)
    numbers = np.unique(borders.zone[borders.zone >= 0]).tolist()
    found = in_two_threads(lambda number: _fit_zone(registration.model, number, samples, borders, seen), numbers)
    fits = [fit for fit in found if fit is not None]
    if not fits:
        raise MeasurementError(
            f"{len(samples)} samples are spread too thinly over the projector picture to fit a map: the camera must "
            "see the whole lit table, and the design in rig.toml must light the same part of the projector picture"
        )
    return _assemble(fits, borders, registration, design, len(samples), camera, motion_px, (light_px, bands_px))


def _register(model: OpticalModel, samples: Samples, tolerances: Array) -> Registration:
    thin = samples.only(np.arange(0, len(samples), max(1, len(samples) // 20_000)))
    one = len(model.surfaces) == 1
    zone = np.full(len(thin), model.surfaces[0].zone) if one else assign_zones(model, trace_map(model).zone, thin)
    return register(model, thin.pixels_px, thin.table_mm, zone, tolerances)


def _fit_zone(model: OpticalModel, zone: int, everything: Samples, borders: Borders, seen: Seen) -> _ZoneFit | None:
    own = borders.zone == zone
    offered = everything if own.all() else everything.only(own)  # millions of samples are a gigabyte
    rim = _on_the_rim(offered.pixels_px, model.projector.resolution) | offered.cut | ~borders.sound[own]
    samples = offered.only(~rim) if rim.any() else offered
    if len(samples) < _MIN_CELLS:
        return None
    reach_px = borders.reach_px(zone)
    field = design_field(model, zone, np.concatenate([samples.pixels_px, reach_px]))
    table_mm, slope = field.table_and_slope_mm(samples.pixels_px)
    residual = samples.table_mm - table_mm
    size = np.hypot(*residual.T)
    usual = float(np.nanmedian(size[:: max(1, len(size) // _FEW)])) if np.isfinite(size).any() else 0.0
    known: BoolArray = np.asarray(size < np.maximum(_GROSS * usual, _GROSS_MM))
    if not known.all():
        samples, residual, slope = samples.only(known), residual[known], slope[known]
    rims = find_rims(seen, samples, slope, model.projector.resolution[::-1])
    dim = np.zeros(len(samples), bool) if rims is None else ~rims.sound(samples.pixels_px)
    faint = samples.only(dim)
    if dim.any():
        samples, residual, slope = samples.only(~dim), residual[~dim], slope[~dim]
    if len(samples) < _MIN_CELLS:
        return None
    residual = without_pixel_steps(samples.pixels_px, residual, slope)
    cell_px = _cell_px(model.projector.resolution)
    through = _surface_through(field, samples, residual, slope, reach_px, cell_px)
    if through is None:
        return None

    def left_of(residual_mm: Array) -> Array:
        if residual_mm is residual:
            found: _Through | None = through
        else:
            found = _surface_through(field, samples, residual_mm, slope, reach_px, cell_px)
        return residual_mm if found is None else residual_mm - found.surface.value(samples.pixels_px)

    ripple = follow_ripple(model, zone, samples, residual, slope, left_of, coarseness=cell_px / _CELL_PX)
    if ripple.waves:
        without = residual - ripple.value(samples.pixels_px)
        beside = _surface_through(field, samples, without, slope, reach_px, cell_px)
        if beside is not None and beside.predicts_better_than(through):
            through, residual = beside, without
        else:
            ripple = ripple.unfollowed
    # the surface hardly varies within a cell
    left_mm = np.hypot(*(residual - through.surface.value(through.cells.pixels_px)[through.cell]).T)
    agrees = (left_mm < _STRAY_MM) & (through.cell >= 0)
    samples = samples if agrees.all() else samples.only(agrees)
    if rims is not None and len(faint):
        beside_mm = through.surface.value(faint.pixels_px) + ripple.value(faint.pixels_px)
        rims = rims.measured(faint.pixels_px, faint.table_mm - field.table_mm(faint.pixels_px) - beside_mm)
    return _ZoneFit(
        zone=zone,
        field=field,
        surface=through.surface,
        cell_px=cell_px,
        pitch_mm=float(np.median(np.sqrt(np.abs(np.linalg.det(slope[:: max(1, len(slope) // _FEW)]))))),
        ripple=ripple,
        rims=rims,
        samples=join_samples([samples, offered.only(rim), faint]) if rim.any() or dim.any() else samples,
        cells=through.cells,
        sigma_mm=through.sigma_mm,
    )


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


def _cell_px(resolution: tuple[int, int]) -> int:
    return _CELL_PX * max(1, round(max(resolution) / _FINE_PICTURE_PX))


def _on_the_rim(pixels_px: Array, resolution: tuple[int, int]) -> BoolArray:
    """(N,) True for positions at the border of the projector picture: they say that light arrives, not where."""
    last = np.array(resolution) - 1.0
    return np.asarray(((pixels_px < _RIM_PX) | (pixels_px > last - _RIM_PX)).any(axis=-1))


def _assemble(
    fits: list[_ZoneFit],
    borders: Borders,
    registration: Registration,
    design: PixelMap,
    offered: int,
    camera: CameraModel | Common,
    motion_px: float,
    light_px: tuple[float, float],
) -> TableMapFit:
    shape = design.zone.shape
    ripples = tuple(told for f in fits for told in f.ripple.told)
    borders = borders.beside_ripple(ripples, {f.zone: f.pitch_mm for f in fits})
    samples = join_samples([f.samples for f in fits])

    def owned() -> tuple[BoolArray, BoolArray, NDArray[np.int64]]:
        measured, answered = support(samples, design, [f.zone for f in fits])
        owner = zone_owners(samples, np.concatenate([np.full(len(f.samples), f.zone) for f in fits]), shape)
        borders.draw(owner)
        answered = borders.bridge(answered, design.answered)
        for fit in fits:
            if fit.rims is not None:
                answered &= ~(fit.rims.beyond(shape) & (owner == fit.zone))
        return measured, answered, owner

    (measured, answered, owner), spreads, held_sigma = all_in_two_threads(
        owned,
        lambda: [spread_sigma(fit.surface, fit.misfit(shape), fit.ripple, shape) for fit in fits],
        lambda: np.concatenate([fit.judged_sigma(shape) for fit in fits]),
    )
    table_mm, (decode, random) = np.full((*shape, 2), np.nan), np.full((2, *shape), np.nan)
    ripple, light_change, bands = np.zeros((3, *shape))  # variances

    def write(fit: _ZoneFit, spread: SpreadSigma, here: BoolArray) -> None:
        table_mm[here], beyond = all_in_two_threads(
            lambda: fit.places_mm(here),
            lambda: beyond_samples(fit.beside_design, fit.cells.pixels_px, here, fit.cell_px),
        )
        decode[here], random[here] = spread.decode_mm[here], spread.whole_mm[here]
        if spread.ripple_mm2.any():
            ripple[here] = spread.ripple_mm2[here]
        if any(light_px):  # pages of zeros that nothing is written to take no memory
            light_change[here], bands[here] = (np.array(light_px) * fit.pitch_mm) ** 2
        random[here] = np.sqrt(random[here] ** 2 + beyond)
        if fit.rims is not None:
            random[here] = np.sqrt(random[here] ** 2 + fit.rims.drawn_mm2(_centres(here)))
        if fit.ripple.waves:
            noise = fit.ripple.noise(_centres(here))
            decode[here] = np.sqrt(decode[here] ** 2 + noise)
            random[here] = np.sqrt(random[here] ** 2 + noise)

    for fit, spread in zip(fits, spreads, strict=True):
        write(fit, spread, answered & (owner == fit.zone))
    del spreads
    answered &= np.isfinite(table_mm[..., 0]) & np.isfinite(table_mm[..., 1])
    border = borders.doubt_mm2(owner)
    random = np.sqrt(random**2 + ripple + light_change + bands + border)
    cells = join_samples([f.cells for f in fits])
    moved_mm = 0.0  # of a view's own scan its common sigma knows
    if isinstance(camera, CameraModel):
        moved_mm = motion_left_mm(camera, registration.model.table_height_mm, cells.table_mm, motion_px=motion_px)

    def shared() -> Array:
        if not isinstance(camera, CameraModel):
            return camera(table_mm, answered)
        return common_sigma(camera, registration.model.table_height_mm, table_mm, answered, motion_px=motion_px)

    common, light = all_in_two_threads(shared, lambda: light_picture(cells, shape, answered))
    table_map = PixelMap(
        x_mm=np.where(answered, table_mm[..., 0], np.nan),
        y_mm=np.where(answered, table_mm[..., 1], np.nan),
        sigma_mm=np.where(answered, np.hypot(random, common), np.nan),
        zone=np.where(answered, owner, NO_LIGHT).astype(np.int16),
        measured=measured & answered,
    )
    held = join_held([f.surface.held for f in fits])
    tile_px = _TILE_CELLS * fits[0].cell_px
    return TableMapFit(
        table_map=table_map,
        random_mm=random,
        common_mm=common,
        decode_mm=decode,
        ripple_mm=_root(ripple),
        border_mm=_root(border),
        light_change_mm=_root(light_change),
        bands_mm=_root(bands),
        light=light,
        registration=registration,
        design=design,
        held_out=_held_out(held, held_sigma),
        not_proven=_not_proven(held, held_sigma, tile_px),
        borders=tuple(borders.borders),
        ripples=ripples,
        cells=cells,
        cell_sigma_mm=np.concatenate(
            [np.hypot(f.sigma_mm, np.hypot(np.hypot(*light_px) * f.pitch_mm, moved_mm)) for f in fits]
        ),
        cell_zone=np.concatenate([np.full(len(f.cells), f.zone) for f in fits]),
        cell_ripple_mm=_cell_ripple(fits),
        samples_used=len(samples),
        samples_offered=offered,
    )


def _root(variance: Array) -> Array:
    return np.sqrt(variance) if variance.any() else variance


def _centres(here: BoolArray) -> Array:
    """(n, 2) pixels of a mask (H, W)."""
    return np.argwhere(here)[:, ::-1].astype(float)


def _cell_ripple(fits: list[_ZoneFit]) -> Array | None:
    if not any(f.ripple.waves for f in fits):
        return None
    return np.concatenate([f.ripple.value(f.cells.pixels_px) for f in fits])


def _held_out(held: HeldSamples, sigma_mm: Array) -> HeldOut:
    if not len(held):
        return HeldOut(n=0, rms_mm=np.nan, p95_mm=np.nan, max_mm=np.nan, z_spread=np.nan, z_spread_of_noise=np.nan)
    residual = np.linalg.norm(held.residual_mm, axis=-1)
    return HeldOut(
        n=len(residual),
        rms_mm=float(np.sqrt(np.mean(residual**2))),
        p95_mm=float(np.percentile(residual, 95)),
        max_mm=float(residual.max()),
        z_spread=float(np.std(held.residual_mm / sigma_mm[:, None])),
        z_spread_of_noise=float(np.std(held.residual_mm / held.sigma_mm[:, None])),
    )


def _not_proven(held: HeldSamples, sigma_mm: Array, tile_px: int) -> str:
    """Why the held-out samples do not bear the stated sigma out, and where; empty if they do."""
    if len(held) < _FEW_HELD:
        return (
            f"sigma not proven: only {len(held)} held-out samples ({_FEW_HELD} are needed). Scan with the camera "
            "closer, or light more of the table"
        )
    z = held.residual_mm / sigma_mm[:, None]
    whole = float(np.std(z))
    tile = np.floor(held.pixels_px / tile_px).astype(np.int64)
    names, inverse, count = np.unique(tile, axis=0, return_inverse=True, return_counts=True)
    local = np.sqrt(np.bincount(inverse.ravel(), np.mean(z**2, axis=-1)) / count)
    wrong = np.flatnonzero((local > _TILE_Z) & (count >= _FEW_HELD))
    if _PROVEN[0] <= whole <= _PROVEN[1] and not len(wrong):
        return ""
    told = np.where(count >= _FEW_HELD, local, 0.0)
    worst = int(np.argmax(told))
    u, v = names[worst] * tile_px
    return (
        f"sigma not proven: held-out samples scatter {whole:.2f} times as far as stated ({_PROVEN[0]} to {_PROVEN[1]} "
        f"would bear it out), at worst {told[worst]:.2f} times about projector pixels ({u} to {u + tile_px}, "
        f"{v} to {v + tile_px}). Look there for a defect of the mirror, and scan again"
    )
