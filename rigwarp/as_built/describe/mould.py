"""The mould for the next mirror: the design with the smooth, well-determined part of the deviation taken off."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rigwarp.as_built.describe.defects import local_form
from rigwarp.as_built.describe.footprint import nearest_surface
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.mesh import TriangleMesh
from rigwarp.tracing import OpticalModel

_SMOOTH_SHARE = 0.08  # of the footprint: dents and ripple of the sheet are no business of the mould
_TOLD = 0.5  # rms of the deviation's sigma over its own rms: beyond that half of a correction would be chance
_ON_SURFACE_MM = 0.05  # vertices of the mesh that belong to the reflecting side
_NEIGHBOURS = 4


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What to add to the design along the mirror's z, mm, over the grid of the as-built map; NaN outside it.

    Attributes
    ----------
    x_mm (nx,), y_mm (ny,), dz_mm (ny, nx), zone (ny, nx)
    rms_um, largest_um : of the correction.
    """

    x_mm: Array
    y_mm: Array
    dz_mm: Array
    zone: NDArray[np.int16]
    rms_um: float
    largest_um: float

    def at(self, xy_mm: Array, zone: NDArray[np.int16]) -> Array:
        """(N,) at points (N, 2) of zones (N,); past the lit part goes on with what is next to it, 0 for unlit zones."""
        result = np.zeros(len(xy_mm))
        grid = np.stack(np.meshgrid(self.x_mm, self.y_mm), axis=-1)
        for number in np.unique(zone):
            known, here = (self.zone == number) & np.isfinite(self.dz_mm), zone == number
            if known.any():
                neighbours = min(_NEIGHBOURS, int(np.count_nonzero(known)))
                tree = cKDTree(grid[known])
                found = [np.asarray(a).reshape(-1, neighbours) for a in tree.query(xy_mm[here], k=neighbours)]
                weight = 1.0 / np.maximum(found[0], 1e-6) ** 2
                values = self.dz_mm[known][found[1].astype(int)]
                result[here] = np.sum(weight * values, axis=1) / np.sum(weight, axis=1)
        return result


def correction_of(
    *,
    x_mm: Array,
    y_mm: Array,
    height_um: Array,
    sigma_um: Array,
    zone: NDArray[np.int16],
    reflecting_side: int,
    power_determined: bool,
    share: float = 0.8,
    without_power: bool = False,
) -> Correction:
    """The share of the smooth deviation to take off the mould.

    Parameters
    ----------
    height_um, sigma_um : (ny, nx) as in as_built.npz.
    share : of the deviation; below 1 because a workshop's springback changes with the shape.
    without_power : leave out the best-fitting a + b x + c y + d (x^2 + y^2).

    Raises
    ------
    MeasurementError
        Where the deviation is not determined: power that only the mounting tolerances tell, or a deviation that does
        not stand above its own uncertainty.
    """
    lit = np.isfinite(height_um)
    if not (power_determined or without_power):
        raise MeasurementError(
            "corrected mould: the data do not tell the mirror's power (its radius against its distance from the "
            "projector), so that its share of the correction would be a guess. Scan a second time with the table "
            "raised, or state a measured length as [[measured]] in rig.toml, and fit again; or leave the power as "
            "designed: rigwarp export RIG --format mould --without-power"
        )
    height = np.where(lit, height_um, np.nan)
    extent = float(min(np.ptp(np.nonzero(lit)[0]), np.ptp(np.nonzero(lit)[1])) + 1.0)
    smooth = np.full(height.shape, np.nan)
    for number in np.unique(zone[lit]):
        here = lit & (zone == number)
        part = local_form(np.where(here, height, np.nan), max(_SMOOTH_SHARE * extent, 1.0))
        smooth[here] = part[here]
    if without_power:
        smooth = _without_power(x_mm, y_mm, smooth)
    size = float(np.sqrt(np.nanmean(smooth**2)))
    # most of the heights' sigma is that of the power: where that is left out its uncertainty does not matter either
    sigma = _without_power(x_mm, y_mm, sigma_um) if without_power else sigma_um
    unsure = float(np.sqrt(np.nanmean(np.where(lit, sigma, np.nan) ** 2)))
    if unsure > _TOLD * size:
        raise MeasurementError(
            f"corrected mould: the deviation is {size:.1f} µm rms with a 1-sigma of {unsure:.1f} µm, a correction "
            f"needs less than {100 * _TOLD:.0f} % of it. The mirror is as good as this scan can tell; do not correct "
            "the mould."
        )
    dz = -1e-3 * share * reflecting_side * smooth
    return Correction(
        x_mm=x_mm,
        y_mm=y_mm,
        dz_mm=dz,
        zone=zone,
        rms_um=float(1e3 * np.sqrt(np.nanmean(dz**2))),
        largest_um=float(1e3 * np.nanmax(np.abs(dz))),
    )


def _without_power(x_mm: Array, y_mm: Array, values: Array) -> Array:
    x, y = np.meshgrid(x_mm, y_mm)
    known = np.isfinite(values)
    terms = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=-1) / max(float(np.abs(x_mm).max()), 1.0)
    share = np.linalg.lstsq(terms[known], values[known], rcond=None)[0]
    return np.asarray(values - terms @ share, float)


def corrected_mesh(mesh: TriangleMesh, model: OpticalModel, correction: Correction) -> TriangleMesh:
    """The design's own mesh with the vertices of its reflecting side moved along the mirror's z."""
    vertices = mesh.vertices_mm.copy()
    zone = np.full(len(vertices), -1, np.int16)  # on no reflecting surface: backs, edges and holders
    for surface in model.surfaces:
        T = surface.T_mirror_from_surface
        local = (vertices - T[:3, 3]) @ T[:3, :3]
        with np.errstate(invalid="ignore"):
            near = np.abs(local[:, 2] - surface.sag(local[:, 0], local[:, 1])) < _ON_SURFACE_MM
        near &= surface.outside_mm(local[:, 0], local[:, 1]) < 2.0 * _ON_SURFACE_MM
        zone[near & (zone < 0)] = surface.zone
    on = zone >= 0
    vertices[on, 2] += correction.at(vertices[on, :2], zone[on])
    return TriangleMesh(vertices_mm=vertices, faces=mesh.faces)


def check_zones(model: OpticalModel, correction: Correction) -> None:
    """Refuse the map of another mirror.

    Raises
    ------
    MeasurementError
        Places of its zones are far from their surfaces.
    """
    grid = np.stack(np.meshgrid(correction.x_mm, correction.y_mm), axis=-1)
    known = np.isfinite(correction.dz_mm)
    nearest = nearest_surface(model.surfaces, grid[known][None])[0]
    if np.mean(nearest == correction.zone[known]) < 1.0 - _TOLD:
        raise MeasurementError(
            "corrected mould: the measured map does not lie on the mirror of rig.toml. It was changed since the fit: "
            "fit again."
        )
