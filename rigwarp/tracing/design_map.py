"""The design map: where every projector pixel should land, by tracing a coarse grid and interpolating per surface."""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from rigwarp.geometry import Array, BoolArray, PixelMap, normalize, reflect
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.geometry.threads import by_rows, in_two_threads
from rigwarp.tracing.model import OpticalModel, Reflection, Trace, fate_without_obstacles
from rigwarp.tracing.reasons import LightFate
from rigwarp.tracing.scan_grid import GridSpread, usual_step_px
from rigwarp.tracing.surfaces.surface import Surface, meet_surface

_NEAR_CELLS = 2  # coarse cells from one whose light the mirror's body stops: there every pixel is looked at


def trace_map(model: OpticalModel, step_px: int | None = None) -> PixelMap:
    """Trace all pixels of the projector.

    Parameters
    ----------
    step_px : spacing of the traced grid, by default fine enough for a smooth mirror; positions and directions in
        between are interpolated on the smooth continuation of each surface, apertures and obstacles' shadows are judged
        for every pixel. 1 traces every pixel (the check path).

    Returns
    -------
    PixelMap
        `measured` is False everywhere; `sigma_mm` is the surface fit's uncertainty carried to the table.
    """
    dense = _Dense.of(model, step_px)
    shape = model.projector.resolution[::-1]
    x_mm, y_mm, sigma_mm = (np.empty(shape) for _ in range(3))
    zone = np.empty(shape, np.int16)

    def fill(rows: slice) -> None:
        band = dense.band(rows)
        dark = dense.reasons(band, rows) != LightFate.LIT
        for whole, values in (
            (x_mm, band.on_table_mm[:, 0]),
            (y_mm, band.on_table_mm[:, 1]),
            (sigma_mm, band.sigma_mm),
        ):
            values[dark] = np.nan
            whole[rows] = values.reshape(-1, shape[1])
        zone[rows] = np.where(dark, np.int16(NO_LIGHT), band.light.zone).reshape(-1, shape[1])

    by_rows(fill, shape)
    return PixelMap(x_mm=x_mm, y_mm=y_mm, sigma_mm=sigma_mm, zone=zone, measured=np.zeros(shape, bool))


def trace_pixels(model: OpticalModel, *, step_px: int | None = None) -> Trace:
    """The full `Trace` of every projector pixel, (H, W, ...), by the same path as `trace_map`."""
    dense = _Dense.of(model, step_px)
    width, height = model.projector.resolution

    def traced(rows: slice) -> Trace:
        band = dense.band(rows)
        reason = dense.reasons(band, rows)
        directions = model.pixel_rays(_pixels(np.arange(rows.start * width, rows.stop * width), width))
        missed = reason == LightFate.MISSES_MIRROR
        reason[missed] = model.past_mirror(directions[missed])
        return model.as_trace((rows.stop - rows.start, width), directions, band.light, band.on_table_mm, reason)

    parts = by_rows(traced, (height, width))
    return Trace(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Trace)})


@dataclass(frozen=True, kw_only=True)
class _Band:
    """Light of n pixels as it leaves the mirror, where it comes down (n, 3) with nothing in its way, and 1-sigma."""

    light: Reflection
    on_table_mm: Array
    sigma_mm: Array


@dataclass(frozen=True, kw_only=True)
class _Dense:
    """Light of all pixels, some rows at a time: of a 4K picture it takes hundreds of megabytes.

    Attributes
    ----------
    near : (H, W) pixels within two coarse cells of one whose light the mirror's body stops; None where none is.
    """

    model: OpticalModel
    surfaces: list["_OnSurface"]
    near: BoolArray | None

    @classmethod
    def of(cls, model: OpticalModel, step_px: int | None) -> "_Dense":
        width, height = model.projector.resolution
        step = step_px or usual_step_px((width, height))
        spread = GridSpread((width, height), step_px=step)
        surfaces = [_OnSurface.of(model, surface, spread, extended=step != 1) for surface in model.surfaces]
        if step == 1:
            return cls(model=model, surfaces=surfaces, near=np.ones((height, width), bool))
        coarse = cls(model=model, surfaces=surfaces, near=None)
        v, u = np.arange(0, height, step), np.arange(0, width, step)
        band = coarse.band(slice(0, height, step), step)
        reason = fate_without_obstacles(band.light.at_mirror_mm, band.on_table_mm)
        met = np.flatnonzero(reason != LightFate.MISSES_MIRROR)
        numbers = (v[:, None] * width + u).ravel()[met]
        stopped = np.zeros(reason.shape, bool)
        stopped[met] = coarse._shaded(reason[met], numbers, band, met) != reason[met]
        if not stopped.any():
            return coarse
        reach = np.ones((2 * _NEAR_CELLS + 1,) * 2, bool)
        grown = binary_dilation(stopped.reshape(len(v), len(u)), reach)
        return replace(coarse, near=np.kron(grown, np.ones((step, step), bool))[:height, :width])

    def band(self, rows: slice, step: int = 1) -> _Band:
        """The pixels of some rows, every `step`-th of each, row by row."""
        width = self.model.projector.resolution[0]
        n = len(range(rows.start, rows.stop, step)) * len(range(0, width, step))
        sigma, zone, best = np.full(n, np.nan), np.full(n, NO_LIGHT, np.int16), np.full(n, np.inf)
        at, out = _by_columns(n), _by_columns(n)
        for one in self.surfaces:
            pixels, part = one.on_rows(rows, step)
            own: NDArray[np.intp] | slice = pixels
            if len(self.surfaces) > 1:
                nearer = np.flatnonzero(part["distance"] < best[pixels])
                own, part = pixels[nearer], {name: values[nearer] for name, values in part.items()}
                best[own] = part["distance"]
            elif len(pixels) == n and not len(one.lost):  # whose pixels stand behind the others
                own = slice(None)
            zone[own], sigma[own] = one.surface.zone, np.abs(part["sigma"])
            for i in range(3):
                at[own, i], out[own, i] = part[f"at{i}"], part[f"out{i}"]
        light = Reflection(at_mirror_mm=at, reflected=out, zone=zone)
        return _Band(light=light, on_table_mm=self.model.landing_mm(light), sigma_mm=sigma)

    def reasons(self, band: _Band, rows: slice) -> NDArray[np.uint8]:
        """(n,) `LightFate` of the pixels of some rows; where the mirror is missed, nothing further."""
        reason = fate_without_obstacles(band.light.at_mirror_mm, band.on_table_mm)
        if self.near is not None:
            near = np.flatnonzero(self.near[rows].ravel() & (reason != LightFate.MISSES_MIRROR))
            numbers = rows.start * self.model.projector.resolution[0] + near
            reason[near] = self._shaded(reason[near], numbers, band, near)
        return self.model.obstructed(reason, band.light.at_mirror_mm, band.on_table_mm)

    def _shaded(
        self, reason: NDArray[np.uint8], numbers: NDArray[np.intp], band: _Band, among: NDArray[np.intp]
    ) -> NDArray[np.uint8]:
        """`reason` (K,) of some `among` a band's pixels, of these numbers in the picture, with the mirror's shade."""
        directions = self.model.pixel_rays(_pixels(numbers, self.model.projector.resolution[0]))
        return self.model.shaded(reason, directions, band.light, band.on_table_mm, among)


def _by_columns(n: int) -> Array:
    """(n, 3) without answers, each coordinate in one piece: what is done to many points is done along these."""
    return np.full((3, n), np.nan).T


def _pixels(numbers: NDArray[np.intp], width: int) -> Array:
    """(N, 2) pixel positions of row-by-row numbers."""
    return np.stack([numbers % width, numbers // width], axis=-1).astype(float)


@dataclass(frozen=True, kw_only=True)
class _OnSurface:
    """What `_meet` says of one surface at the grid's nodes, spread along the rows; and at pixels where that fails.

    Attributes
    ----------
    across : (rows of nodes, W) by name.
    lost : (K,) numbers of the pixels next to rays that the smooth continuation does not meet, where interpolation has
        no full stencil; `own` is what their own rays meet.
    """

    surface: Surface
    spread: GridSpread
    across: dict[str, Array]
    lost: NDArray[np.intp]
    own: dict[str, Array]

    @classmethod
    def of(cls, model: OpticalModel, surface: Surface, spread: GridSpread, *, extended: bool) -> "_OnSurface":
        coarse = _meet(model, surface, model.pixel_rays(spread.nodes_px.reshape(-1, 2)), extended=extended)
        lost = np.flatnonzero(spread.partly_known(coarse["distance"]))
        own = _meet(model, surface, model.pixel_rays(_pixels(lost, spread.width)), extended=False)
        names, across = coarse.keys(), in_two_threads(spread.across, coarse.values())
        return cls(surface=surface, spread=spread, across=dict(zip(names, across, strict=True)), lost=lost, own=own)

    def on_rows(self, rows: slice, step: int) -> tuple[NDArray[np.intp], dict[str, Array]]:
        """Among every `step`-th pixel of some rows those that meet the surface within its aperture, by their numbers
        there, and what `_meet` says of them."""

        def down(name: str) -> Array:
            return self.spread.down(self.across[name][:, ::step], rows)

        distance, x, y = (down(name) for name in ("distance", "x", "y"))
        inside = np.flatnonzero(self.surface.inside(x, y) & (distance > 0.0))
        all_inside = len(inside) == len(distance)
        found = {"distance": distance[inside]}
        for name in self.across.keys() - {"distance", "x", "y"}:
            everywhere = down(name)
            found[name] = everywhere if all_inside else everywhere[inside]
        width = self.spread.width
        first, last = np.searchsorted(self.lost, [rows.start * width, rows.stop * width])
        v, u = np.divmod(self.lost[first:last] - rows.start * width, width)
        kept = np.isfinite(self.own["distance"][first:last]) & (v % step == 0) & (u % step == 0)
        if kept.any():
            inside = np.concatenate([inside, (v // step * -(-width // step) + u // step)[kept]])
            found = {name: np.concatenate([values, self.own[name][first:last][kept]]) for name, values in found.items()}
        return inside, found


def _meet(model: OpticalModel, surface: Surface, directions: Array, *, extended: bool) -> dict[str, Array]:
    """What is interpolated, one (N,) column each: distance, x, y, at0..2, out0..2, sigma; NaN where not met."""
    rays = directions @ model.mirror.rotation
    met = meet_surface(surface, model.source_in_mirror_mm, rays, extended=extended)
    light = Reflection(
        at_mirror_mm=model.mirror.to_table(met.point_mm),
        reflected=reflect(rays, met.normal) @ model.mirror.rotation.T,
        zone=np.empty(0, np.int16),
    )
    shift_mm = _shift_per_tilt_mm(directions, met.normal @ model.mirror.rotation.T, light, model.landing_mm(light))
    columns = {
        "distance": np.where(np.isfinite(met.distance_mm), met.distance_mm, np.nan),
        "x": met.local_mm[:, 0],
        "y": met.local_mm[:, 1],
        # light that leaves upward has no way to the table; 0 keeps the interpolation next to it alive
        "sigma": np.nan_to_num(shift_mm) * surface.slope_sigma(met.local_mm[:, 0], met.local_mm[:, 1]),
    }
    for i in range(3):
        columns[f"at{i}"], columns[f"out{i}"] = light.at_mirror_mm[:, i], light.reflected[:, i]
    return columns


def _shift_per_tilt_mm(directions: Array, normals: Array, light: Reflection, on_table_mm: Array) -> Array:
    """(N,) how far a spot moves per rad of the normal's tilt, rms over both and per axis of the table; NaN if lost.

    o = d - 2 (d.n) n changes by -2 ((d.t) n + (d.n) t) for a tilt along t; on the table the way of the light and how
    flat it comes in count, too.
    """
    out, way_mm = light.reflected, np.linalg.norm(on_table_mm - light.at_mirror_mm, axis=-1)
    one = normalize(np.cross(normals, np.where(np.abs(normals[:, :1]) < 0.9, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])))
    square = np.zeros(len(out))
    for tilt in (one, np.cross(normals, one)):
        along, against = (np.sum(directions * vector, axis=-1, keepdims=True) for vector in (tilt, normals))
        turn = -2.0 * (along * normals + against * tilt)
        with np.errstate(invalid="ignore", divide="ignore"):
            square += np.sum((turn[:, :2] - out[:, :2] * (turn[:, 2:] / out[:, 2:])) ** 2, axis=-1)
    return np.asarray(way_mm * np.sqrt(square / 2.0))
