"""Which dimension matters: how far the picture on the content area moves with each mounting and shape parameter.

Parts are shifted along and turned about the table's axes, the projector about its centre of projection and the mirror
about the origin of its frame. A radius grows with all of a surface's radii of curvature, about the middle of its lit
footprint, where place and slope stay. Zernike terms (OSA/ANSI, mean square 1) are heights over the circle around the
footprint, along the surface's own z; the rig's figure tolerance is shared out among them as 1 / n^2, as formed sheets
and prints bend most over their whole size.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.geometry.height_spline import HeightSpline
from rigwarp.geometry.zernike import Disk, enclosing_disk, osa_terms, term_name
from rigwarp.rig import Rig, inside_content
from rigwarp.tracing.model import OpticalModel
from rigwarp.tracing.reasons import LightFate
from rigwarp.tracing.scan_grid import pixel_grid
from rigwarp.tracing.surfaces.panel import FlatSurface
from rigwarp.tracing.surfaces.spline_solve import solve_spline
from rigwarp.tracing.surfaces.surface import Surface

_PIXELS = 3000  # traced per parameter: smooth maps need no more
_FEWEST = 20  # on one zone, below which its own shape is not asked about
_ORDER = 4
_SHIFT_MM, _TURN_DEG, _RADIUS_PERCENT, _HEIGHT_UM = 0.1, 0.02, 0.2, 5.0  # steps of the central differences
_FIT_NODES = 41  # per side, of the grid that a shape error is fitted on
_RADIUS_CELLS = (8, 8)
_ZERNIKE_CELLS = (1, 1)  # one quintic cell holds a polynomial of the fourth order exactly


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One thing that may turn out differently: of which part, what, in which unit, and with which 1-sigma."""

    part: str
    name: str
    unit: str
    group: str
    sigma: float


@dataclass(frozen=True, kw_only=True)
class Effect:
    """mm on the table per unit of a parameter, over the content area: as it is, and after the best similarity."""

    rms_mm: float
    p95_mm: float
    rms_similar_mm: float
    p95_similar_mm: float


@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """What each parameter does to the picture.

    Attributes
    ----------
    parameters : K of them.
    effects : of each, per unit.
    spots_mm : (N, 2) where the pixels that were asked land on the content area.
    weights : (N,) share of the lit content area that each stands for.
    shifts_mm, similar_mm : (K, N, 2) shift of each spot per unit, as it is and less the best similarity.
    """

    parameters: tuple[Parameter, ...]
    effects: tuple[Effect, ...]
    spots_mm: Array
    weights: Array
    shifts_mm: Array
    similar_mm: Array


def sensitivity(model: OpticalModel, rig: Rig) -> Sensitivity:
    """Shift of the picture per unit of every parameter, by central differences on a coarse set of pixels.

    Raises
    ------
    InputError
        Where no light lands on the content area.
    """
    sample = _Sample.of(model, rig)
    found = list(_parameters(sample, model, rig))
    shifts = np.stack([sample.shift(model, move, step) for _, move, step in found])
    similar = less_similarity(shifts, sample.spots_mm, sample.weights)
    return Sensitivity(
        parameters=tuple(parameter for parameter, _, _ in found),
        effects=tuple(_effect(a, b, sample.weights) for a, b in zip(shifts, similar, strict=True)),
        spots_mm=sample.spots_mm,
        weights=sample.weights,
        shifts_mm=shifts,
        similar_mm=similar,
    )


def weighted_quantile(values: Array, weights: Array, share: float) -> float:
    """The value that a share of the weight does not exceed, linear in between; (N,), (N,)."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(share * weights.sum(), reached, values[order]))


def less_similarity(shifts_mm: Array, spots_mm: Array, weights: Array) -> Array:
    """(..., N, 2) shifts of spots (N, 2) less the best shift, rotation and scale, to first order in the shifts."""
    x, y = (spots_mm - np.average(spots_mm, axis=0, weights=weights)).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    fields = np.stack([np.stack(f, axis=-1) for f in ((one, zero), (zero, one), (x, y), (-y, x))])
    root = np.sqrt(weights)[:, None]
    basis, _ = np.linalg.qr((fields * root).reshape(4, -1).T)
    flat = (shifts_mm * root).reshape(*shifts_mm.shape[:-2], -1)
    left = flat - (flat @ basis) @ basis.T
    return np.asarray(left.reshape(shifts_mm.shape) / root)


_Move = Callable[[float], OpticalModel]


@dataclass(frozen=True, kw_only=True)
class _Sample:
    """Pixels whose light lands on the content area, with their zones, spots (N, 2) and shares (N,) of the area."""

    pixels_px: Array
    zone: NDArray[np.int16]
    mirror_mm: Array
    spots_mm: Array
    weights: Array

    @classmethod
    def of(cls, model: OpticalModel, rig: Rig) -> "_Sample":
        width, height = model.projector.resolution
        step = max(1.0, np.sqrt(width * height / _PIXELS))
        pixels = pixel_grid((width, height), step_px=step).reshape(-1, 2)
        trace = model.trace(pixels)
        wanted = trace.reason == LightFate.LIT
        wanted[wanted] = inside_content(rig.content, trace.table_mm[wanted])
        if not wanted.any():
            raise InputError(
                "content: none of the projector's light lands on the content area, so there is no picture to judge. "
                "Correct projector.aim_mm, mirror.position_mm / rotation_deg or content.centre_mm."
            )
        bare = cls(
            pixels_px=pixels[wanted],
            zone=trace.zone[wanted],
            mirror_mm=trace.mirror_mm[wanted],
            spots_mm=trace.table_mm[wanted],
            weights=np.ones(int(wanted.sum())),
        )
        across, down = (bare.land(model, np.array(d)) - bare.land(model, -np.array(d)) for d in ((0.5, 0), (0, 0.5)))
        area = np.nan_to_num(np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]))
        return replace(bare, weights=area / area.sum())

    def land(self, model: OpticalModel, aside_px: Array | None = None) -> Array:
        """(N, 2) where the pixels' light lands, each by way of its own zone, apertures and shadows left aside."""
        pixels = self.pixels_px if aside_px is None else self.pixels_px + aside_px
        spots = np.full_like(self.spots_mm, np.nan)
        for number in np.unique(self.zone):
            here = self.zone == number
            spots[here] = model.trace(pixels[here], extended=True, zone=int(number)).table_mm
        return spots

    def shift(self, model: OpticalModel, move: _Move, step: float) -> Array:
        """(N, 2) shift of the spots per unit of a parameter; 0 where light is lost on the way."""
        return np.nan_to_num((self.land(move(step)) - self.land(move(-step))) / (2.0 * step))

    def footprint(self, surface: Surface) -> Array:
        """(n, 2) points of light on a surface, its own frame."""
        T = surface.T_mirror_from_surface
        return ((self.mirror_mm[self.zone == surface.zone] - T[:3, 3]) @ T[:3, :3])[:, :2]


def _parameters(sample: _Sample, model: OpticalModel, rig: Rig) -> Iterator[tuple[Parameter, _Move, float]]:
    """Every parameter, how to turn it, and by how much for the differences."""
    for i, part in enumerate(("projector", "mirror")):
        placed = rig.projector if i == 0 else rig.mirror
        for kind, unit, step, sigma in (
            ("position", "mm", _SHIFT_MM, placed.position_tolerance_mm),
            ("rotation", "deg", _TURN_DEG, float(np.rad2deg(placed.rotation_tolerance_rad))),
        ):
            for axis, letter in enumerate("xyz"):
                name = f"{'along' if kind == 'position' else 'about'} {letter}"
                parameter = Parameter(part=part, name=name, unit=unit, group=f"{part} {kind}", sigma=sigma)
                yield parameter, _mounting(model, 2 * i + (kind == "rotation"), axis, kind == "rotation"), step
    asked = [s for s in model.surfaces if np.sum(sample.zone == s.zone) >= _FEWEST]
    terms = [t for t in osa_terms(_ORDER) if t[0] >= (1 if len(asked) > 1 else 2)]
    shares = np.array([1.0 / n**2 for n, _ in terms])
    sigma_um = rig.tolerance.figure_rms_um * shares / np.linalg.norm(shares)
    for surface in asked:
        disk = enclosing_disk(sample.footprint(surface))
        if not isinstance(surface, FlatSurface):
            radius = Parameter(part=surface.name, name="radius", unit="%", group="mirror shape", sigma=0.0)
            yield radius, _growing(model, surface, disk), _RADIUS_PERCENT
        for (n, m), um in zip(terms, sigma_um, strict=True):
            term = Parameter(part=surface.name, name=term_name(n, m), unit="µm", group="mirror shape", sigma=float(um))
            yield term, _bending(model, surface, disk, (n, m)), _HEIGHT_UM


def _mounting(model: OpticalModel, which: int, axis: int, turn: bool) -> _Move:
    """Shift (mm) or turn (deg) of a part: 0, 1 the projector's, 2, 3 the mirror's."""

    def move(amount: float) -> OpticalModel:
        changes = np.zeros((4, 3))
        changes[which, axis] = np.deg2rad(amount) if turn else amount
        return model.moved(*changes)

    return move


def _growing(model: OpticalModel, surface: Surface, disk: Disk) -> _Move:
    def move(percent: float) -> OpticalModel:
        grow = 1.0 + percent / 100.0
        middle = np.asarray(disk.centre_mm)[:, None]
        base = surface.sag(*middle)

        def change(x: Array, y: Array) -> Array:
            contracted = middle + (np.stack([x, y]) - middle) / grow
            return base + grow * (surface.sag(*contracted) - base) - surface.sag(x, y)

        return model.with_figure({surface.zone: _figure(change, surface, disk, _RADIUS_CELLS)})

    return move


def _bending(model: OpticalModel, surface: Surface, disk: Disk, term: tuple[int, int]) -> _Move:
    figure = _figure(
        lambda x, y: disk.functions(np.stack([x, y], axis=-1), (term,))[:, 0], surface, disk, _ZERNIKE_CELLS
    )

    def move(um: float) -> OpticalModel:
        return model.with_figure({surface.zone: figure.with_coefficients(1e-3 * um * figure.coefficients_mm)})

    return move


def _figure(
    height: Callable[[Array, Array], Array], surface: Surface, disk: Disk, cells: tuple[int, int]
) -> HeightSpline:
    """A height deviation over the disk's bounding square as a spline, from where the surface has a value."""
    side = np.linspace(-disk.radius_mm, disk.radius_mm, _FIT_NODES)
    x, y = (a.ravel() for a in np.meshgrid(disk.centre_mm[0] + side, disk.centre_mm[1] + side))
    z = height(x, y)
    known = np.isfinite(z) & np.isfinite(surface.sag(x, y))
    return solve_spline(np.column_stack([x, y, z])[known], cells)[0]


def _effect(shift_mm: Array, similar_mm: Array, weights: Array) -> Effect:
    off, left = (np.linalg.norm(field, axis=-1) for field in (shift_mm, similar_mm))
    rms, rms_left = (float(np.sqrt(np.average(distance**2, weights=weights))) for distance in (off, left))
    p95, p95_left = (weighted_quantile(distance, weights, 0.95) for distance in (off, left))
    return Effect(rms_mm=rms, p95_mm=p95, rms_similar_mm=rms_left, p95_similar_mm=p95_left)
