"""The design map: where every projector pixel should land, by tracing a coarse grid and interpolating per surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Array, BoolArray, PixelMap, normalize, reflect
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.geometry.threads import by_rows, in_two_threads
from rigwarp.tracing.model import OpticalModel, Reflection, Trace, fate_without_obstacles
from rigwarp.tracing.reasons import LightFate
from rigwarp.tracing.scan_grid import GridSpread, pixel_grid, usual_step_px
from rigwarp.tracing.surfaces.surface import Surface, meet_surface


def trace_map(model: OpticalModel, step_px: int | None = None) -> PixelMap:
    """Trace all pixels of the projector.

    Parameters
    ----------
    model : OpticalModel
    step_px : int, optional
        Spacing of the traced grid, by default fine enough for a smooth mirror; positions and directions in between are
        interpolated on the smooth continuation of each surface, apertures and obstacles' shadows are judged for every
        pixel. 1 traces every pixel (the check path).

    Returns
    -------
    PixelMap
        `measured` is False everywhere; `sigma_mm` is the surface fit's uncertainty carried to the table.
    """
    dense = _Dense.everywhere(model, step_px=step_px or usual_step_px(model.projector.resolution))
    on_table = dense.landing_mm(model)
    lit = dense.reasons(model, on_table) == LightFate.LIT
    shape, sigma_mm, zone = model.projector.resolution[::-1], dense.sigma_mm, dense.light.zone
    del dense  # hundreds of megabytes of a 4K picture
    return PixelMap(
        x_mm=np.where(lit, on_table[:, 0], np.nan).reshape(shape),
        y_mm=np.where(lit, on_table[:, 1], np.nan).reshape(shape),
        sigma_mm=np.where(lit, sigma_mm, np.nan).reshape(shape),
        zone=np.where(lit, zone, NO_LIGHT).astype(np.int16).reshape(shape),
        measured=np.zeros(shape, bool),
    )


def trace_pixels(model: OpticalModel, *, step_px: int | None = None) -> Trace:
    """The full `Trace` of every projector pixel, (H, W, ...), by the same path as `trace_map`."""
    dense = _Dense.everywhere(model, step_px=step_px or usual_step_px(model.projector.resolution))
    on_table = dense.landing_mm(model)
    width, height = model.projector.resolution
    directions = model.pixel_rays(pixel_grid((width, height)).reshape(-1, 2))
    return model.as_trace((height, width), directions, dense.light, on_table, dense.reasons(model, on_table))


@dataclass(frozen=True, kw_only=True)
class _Dense:
    """Light of all pixels, row by row, as it leaves the mirror, and its 1-sigma on the table."""

    light: Reflection
    sigma_mm: Array
    step_px: int

    @classmethod
    def everywhere(cls, model: OpticalModel, *, step_px: int) -> "_Dense":
        width, height = model.projector.resolution
        n = width * height
        spread = GridSpread(model.projector.resolution, step_px=step_px)
        surfaces = [_OnSurface.of(model, surface, spread, extended=step_px != 1) for surface in model.surfaces]
        sigma, zone = np.empty(n), np.empty(n, np.int16)
        at, out = _by_columns(n), _by_columns(n)

        def fill(rows: slice) -> None:
            here = slice(rows.start * width, rows.stop * width)
            for values in (sigma[here], at[here], out[here]):
                values[:] = np.nan
            zone[here] = NO_LIGHT
            best = np.full(here.stop - here.start, np.inf)
            for one in surfaces:
                pixels, part = one.on_rows(rows)
                own: NDArray[np.intp] | slice = pixels
                if len(surfaces) > 1:
                    nearer = np.flatnonzero(part["distance"] < best[pixels])
                    own, part = pixels[nearer], {name: values[nearer] for name, values in part.items()}
                    best[own] = part["distance"]
                elif len(pixels) == len(best) and not len(one.lost):  # whose pixels stand behind the others
                    own = slice(None)
                zone[here][own], sigma[here][own] = one.surface.zone, np.abs(part["sigma"])
                for i in range(3):
                    at[here, i][own], out[here, i][own] = part[f"at{i}"], part[f"out{i}"]

        by_rows(fill, (height, width))
        return cls(light=Reflection(at_mirror_mm=at, reflected=out, zone=zone), sigma_mm=sigma, step_px=step_px)

    def landing_mm(self, model: OpticalModel) -> Array:
        """(H * W, 3) where it comes down."""
        width, height = model.projector.resolution
        on_table = _by_columns(height * width)

        def land(rows: slice) -> None:
            here = slice(rows.start * width, rows.stop * width)
            on_table[here] = model.landing_mm(self.light.only(here))

        by_rows(land, (height, width))
        return on_table

    def reasons(self, model: OpticalModel, on_table_mm: Array) -> NDArray[np.uint8]:
        """(H * W,) `LightFate`; the mirror's own shade is looked for on a coarse grid first."""
        resolution = model.projector.resolution
        reason = fate_without_obstacles(self.light.at_mirror_mm, on_table_mm)
        met = reason != LightFate.MISSES_MIRROR
        missed = np.flatnonzero(~met)
        if len(missed):
            reason[missed] = model.past_mirror(model.pixel_rays(_pixels(missed, resolution)))
        for rows in self._worth_a_look(model, reason, on_table_mm, met):
            directions = model.pixel_rays(_pixels(rows, resolution))
            reason[rows] = model.shaded(reason[rows], directions, self.light, on_table_mm, rows)
        return model.obstructed(reason, self.light.at_mirror_mm, on_table_mm)

    def _worth_a_look(
        self, model: OpticalModel, reason: NDArray[np.uint8], on_table_mm: Array, met: BoolArray
    ) -> list[NDArray[np.intp]]:
        """Pixels within two coarse cells of one whose light the mirror's body stops."""
        width, height = model.projector.resolution
        if self.step_px == 1:
            return [np.flatnonzero(met)]
        v, u = np.arange(0, height, self.step_px), np.arange(0, width, self.step_px)
        rows = (v[:, None] * width + u).ravel()
        asked = rows[met[rows]]
        directions = model.pixel_rays(_pixels(asked, (width, height)))
        stopped = np.zeros(width * height, bool)
        found = model.shaded(reason[asked], directions, self.light, on_table_mm, asked) != reason[asked]
        stopped[asked[found]] = True
        if not found.any():
            return []
        coarse = np.pad(stopped[rows].reshape(len(v), len(u)), 2)
        grown = np.zeros_like(coarse)
        for shift in [(i, j) for i in range(-2, 3) for j in range(-2, 3)]:
            grown |= np.roll(coarse, shift, (0, 1))
        near = np.kron(grown[2:-2, 2:-2], np.ones((self.step_px, self.step_px), bool))[:height, :width]
        return [np.flatnonzero(near.ravel() & met)]


def _by_columns(n: int) -> Array:
    """(n, 3), each coordinate in one piece: what is done to millions of points is done along these."""
    return np.empty((3, n)).T


def _pixels(rows: NDArray[np.intp], resolution: tuple[int, int]) -> Array:
    """(N, 2) pixel positions of row-by-row numbers."""
    return np.stack([rows % resolution[0], rows // resolution[0]], axis=-1).astype(float)


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
        own = _meet(model, surface, model.pixel_rays(_pixels(lost, model.projector.resolution)), extended=False)
        names, across = coarse.keys(), in_two_threads(spread.across, coarse.values())
        return cls(surface=surface, spread=spread, across=dict(zip(names, across, strict=True)), lost=lost, own=own)

    def on_rows(self, rows: slice) -> tuple[NDArray[np.intp], dict[str, Array]]:
        """Pixels in some rows, counted from the first one's, that meet the surface within its aperture, and what
        `_meet` says of them."""
        distance, x, y = (self.spread.down(self.across[name], rows) for name in ("distance", "x", "y"))
        inside = np.flatnonzero(self.surface.inside(x, y) & (distance > 0.0))
        all_inside = len(inside) == len(distance)
        found = {"distance": distance[inside]}
        for name in self.across.keys() - {"distance", "x", "y"}:
            everywhere = self.spread.down(self.across[name], rows)
            found[name] = everywhere if all_inside else everywhere[inside]
        width = len(distance) // (rows.stop - rows.start)
        lost = slice(*np.searchsorted(self.lost, [rows.start * width, rows.stop * width]))
        kept = np.isfinite(self.own["distance"][lost])
        if kept.any():
            inside = np.concatenate([inside, self.lost[lost][kept] - rows.start * width])
            found = {name: np.concatenate([values, self.own[name][lost][kept]]) for name, values in found.items()}
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
