"""The zones' fits put together on the whole projector grid, with what is needed to judge them."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.camera import CameraModel
from rigwarp.geometry import Array, BoolArray, PixelMap
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.geometry.threads import all_in_two_threads, by_rows
from rigwarp.table_map.beyond import beyond_samples
from rigwarp.table_map.borders import Border, Borders
from rigwarp.table_map.misfit import HeldSamples, join_held
from rigwarp.table_map.registration import Registration
from rigwarp.table_map.ripple import MapRipple
from rigwarp.table_map.samples import Samples, join_samples
from rigwarp.table_map.support import light_picture, support
from rigwarp.table_map.uncertainty import SpreadSigma, common_sigma, motion_left_mm, spread_sigma
from rigwarp.table_map.zone_fit import ZoneFit, centres
from rigwarp.table_map.zones import zone_owners

Common = Callable[[Array, BoolArray], Array]
"""(H, W) 1-sigma per axis that neighbouring positions (H, W, 2) share, mm, where they are answered (H, W)."""
_PROVEN = (0.9, 1.1)  # spread of held-out residuals over sigma
_CURVE_LEFT = 0.05  # of what the camera's curve does, where the samples tell it: 0.04 was measured
_TILE_CELLS = 24
_TILE_Z = 1.3  # in a tile with ...
_FEW_HELD = 50  # ... so many held-out samples chance gives 1.2 at most


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
class MapFacts:
    """What a measured map's fit tells beside the pixels, which are most of its memory.

    Attributes
    ----------
    registration : how the design had to be moved.
    held_out : the honest residual.
    not_proven : why the held-out samples do not bear the stated sigma out, and where; empty if they do.
    borders : where the zones meet as built.
    ripples : regular ripple that the map follows, told zone by zone.
    cells : the averaged samples, (N) of them, with `cell_sigma_mm` (N,) and `cell_zone` (N,); `cell_ripple_mm` (N, 2)
        is what was taken off them as ripple, None where there is none.
    samples_used, samples_offered : camera pixels.
    """

    registration: Registration
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
class TableMapFit(MapFacts):
    """The measured table map and what is needed to judge it.

    Attributes
    ----------
    table_map : the result.
    random_mm, common_mm : (H, W) its two parts of sigma: decoding and fit; camera lens and pose. Sigmas and light are
        float32: a 4K picture has many pixels.
    decode_mm, ripple_mm, border_mm, light_change_mm, bands_mm, curve_mm : (H, W) of the random part, what decode noise
        alone explains, what samples cannot tell of a ripple, what the place of the border between zones leaves open,
        and what is left of light that changed during the scan, of bands, and of a camera's curve that a single period
        of stripes cannot tell.
    light : (H, W) relative light that each projector pixel makes on the table at white; NaN unknown.
    design : the moved design's own map.
    """

    table_map: PixelMap
    random_mm: Array
    common_mm: Array
    decode_mm: Array
    ripple_mm: Array
    border_mm: Array
    light_change_mm: Array
    bands_mm: Array
    curve_mm: Array
    light: Array
    design: PixelMap

    def facts(self) -> MapFacts:
        """Without the pixels."""
        return MapFacts(**{one.name: getattr(self, one.name) for one in fields(MapFacts)})


def assemble(
    fits: list[ZoneFit],
    borders: Borders,
    registration: Registration,
    design: PixelMap,
    offered: int,
    camera: CameraModel | Common,
    motion_px: float,
    light_px: tuple[float, float, float],
) -> TableMapFit:
    shape = design.zone.shape
    ripples = tuple(told for f in fits for told in f.ripple.told)
    borders = borders.beside_ripple(ripples, {f.zone: f.pitch_mm for f in fits})

    def owned() -> tuple[BoolArray, BoolArray, NDArray[np.int16]]:
        seen_px = {f.zone: f.seen_px for f in fits}
        measured, answered = support(np.concatenate(list(seen_px.values())), design, list(seen_px))
        owner = zone_owners(seen_px, shape)
        borders.draw(owner)
        answered = borders.bridge(answered, design.answered)
        for fit in fits:
            if fit.rims is not None:
                answered &= ~(fit.rims.beyond(shape) & (owner == fit.zone))
        return measured, answered, owner

    (measured, answered, owner), spreads, held_sigma, places_mm, (decode, random) = all_in_two_threads(
        owned,
        lambda: [spread_sigma(fit.surface, fit.misfit(shape), fit.ripple, shape) for fit in fits],
        lambda: np.concatenate([fit.judged_sigma(shape) for fit in fits]),
        lambda: np.full((2, *shape), np.nan),
        lambda: np.full((2, *shape), np.nan, np.float32),
    )
    ripple, light_change, bands, curve = np.zeros((4, *shape), np.float32)  # variances

    def write(fit: ZoneFit, spread: SpreadSigma, here: BoolArray) -> None:
        _, (at, beyond) = all_in_two_threads(
            lambda: fit.write_places(places_mm, here),
            lambda: beyond_samples(fit.beside_design, fit.cells.pixels_px, here, fit.cell_px),
        )
        for whole, own in ((decode, spread.decode_mm), (random, spread.whole_mm)):
            np.copyto(whole, own, where=here)
        if spread.ripple_mm2.any():
            np.copyto(ripple, spread.ripple_mm2, where=here)
        if any(light_px):  # pages of zeros that nothing is written to take no memory
            light_change[here], bands[here], curve[here] = _left_mm2(fit, light_px)
        random.reshape(-1)[at] = np.sqrt(random.reshape(-1)[at] ** 2 + beyond)
        if fit.rims is not None and fit.rims.drawn_mm:
            random[here] = np.sqrt(random[here] ** 2 + fit.rims.drawn_mm2(shape)[here])
        if fit.ripple.waves:
            noise = fit.ripple.noise(centres(here))
            decode[here] = np.sqrt(decode[here] ** 2 + noise)
            random[here] = np.sqrt(random[here] ** 2 + noise)

    for fit, spread in zip(fits, spreads, strict=True):
        write(fit, spread, answered & (owner == fit.zone))
    del spreads
    answered &= np.isfinite(places_mm[0]) & np.isfinite(places_mm[1])
    unsure = borders if isinstance(camera, CameraModel) else borders.smooth(max(f.pitch_mm for f in fits))
    border = unsure.doubt_mm2(owner).astype(np.float32)
    more = [part for part in (ripple, light_change, bands, curve, border) if part.any()]

    def add(rows: slice) -> None:
        random[rows] = np.sqrt(sum((part[rows] for part in more), random[rows] ** 2))

    if more:
        by_rows(add, shape)
    table_mm = np.moveaxis(places_mm, 0, -1)
    cells = join_samples([f.cells for f in fits])
    moved_mm = 0.0  # of a view's own scan its common sigma knows
    if isinstance(camera, CameraModel):
        moved_mm = motion_left_mm(camera, registration.model.table_height_mm, cells.table_mm, motion_px=motion_px)

    def shared() -> NDArray[np.floating]:
        if not isinstance(camera, CameraModel):
            return camera(table_mm, answered)
        return common_sigma(camera, registration.model.table_height_mm, table_mm, answered, motion_px=motion_px)

    common, light = all_in_two_threads(shared, lambda: light_picture(cells, shape, answered))
    sigma_mm: NDArray[Any] = np.empty(shape, np.float32)

    def darken(rows: slice) -> None:
        dark = ~answered[rows]
        np.hypot(random[rows], common[rows], out=sigma_mm[rows])
        for whole in (*places_mm, sigma_mm):
            whole[rows][dark] = np.nan
        owner[rows][dark] = NO_LIGHT

    by_rows(darken, shape)
    table_map = PixelMap(
        x_mm=places_mm[0],
        y_mm=places_mm[1],
        sigma_mm=sigma_mm,
        zone=owner,
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
        curve_mm=_root(curve),
        light=light,
        registration=registration,
        design=design,
        held_out=_held_out(held, held_sigma),
        not_proven=_not_proven(held, held_sigma, tile_px),
        borders=tuple(borders.borders),
        ripples=ripples,
        cells=cells,
        cell_sigma_mm=np.concatenate(
            [np.sqrt(f.sigma_mm**2 + sum(_left_mm2(f, light_px)) + moved_mm**2) for f in fits]
        ),
        cell_zone=np.concatenate([np.full(len(f.cells), f.zone) for f in fits]),
        cell_ripple_mm=_cell_ripple(fits),
        samples_used=sum(len(f.seen_px) for f in fits),
        samples_offered=offered,
    )


def _left_mm2(fit: ZoneFit, light_px: tuple[float, float, float]) -> tuple[float, float, float]:
    """Variances, per axis, of what is left of changing light, bands and the camera's curve."""
    light, bands, curve = ((px * fit.pitch_mm) ** 2 for px in light_px)
    return light, bands, _CURVE_LEFT**2 * curve if fit.curve_told else curve


def _root(variance: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(np.sqrt(variance)) if variance.any() else variance


def _cell_ripple(fits: list[ZoneFit]) -> Array | None:
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
    low, high = _PROVEN
    if low <= whole <= high and not len(wrong):
        return ""
    far = f"sigma not proven: held-out samples scatter {whole:.2f} times as far as stated ({low} to {high} "
    if whole < low and not len(wrong):
        return (
            f"{far}would bear it out): the map is surer than it says. A picture style, compression or smoothing of the "
            "camera makes the stripes contradict each other, which counts as noise. Set the camera to neutral or "
            "standard to know more"
        )
    told = np.where(count >= _FEW_HELD, local, 0.0)
    worst = int(np.argmax(told))
    u, v = names[worst] * tile_px
    return (
        f"{far}would bear it out), at worst {told[worst]:.2f} times about projector pixels ({u} to {u + tile_px}, "
        f"{v} to {v + tile_px}). Look there for a defect of the mirror, and scan again"
    )
