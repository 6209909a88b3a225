"""From the samples of a scan to the built mirror."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import QhullError

from rigwarp.as_built.describe.acceptance import acceptance_of
from rigwarp.as_built.describe.deciding import POWER_FROM_PRIOR, deciders_of
from rigwarp.as_built.describe.defects import Defect, find_defects
from rigwarp.as_built.describe.findings import Unmodelled, findings_of
from rigwarp.as_built.describe.form import ZernikeTerm, fit_matrix, form_figures
from rigwarp.as_built.describe.heights import Heights, heights_of
from rigwarp.as_built.describe.observability import observability
from rigwarp.as_built.describe.panels import panels_of
from rigwarp.as_built.describe.radius import built_radius
from rigwarp.as_built.describe.result import AsBuilt, Mounting
from rigwarp.as_built.describe.ripple import Ripple, TakenRipple, find_ripple
from rigwarp.as_built.fine_ripple.estimate import fine_ripples
from rigwarp.as_built.solve.fit_data import Data, join_data
from rigwarp.as_built.solve.linearised import moved_model
from rigwarp.as_built.solve.map_fit import OPTICS_SIGMA, MapFit, check_enough, fit_map
from rigwarp.as_built.solve.raised import RaisedScan, board_errors, height_fits, heights_mm
from rigwarp.as_built.solve.shared_errors import SHARED_MM, beside_own_noise, lens_errors, plane_warp
from rigwarp.camera import CameraModel
from rigwarp.decode import Modulation
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.pixel_map import zones_lit
from rigwarp.geometry.robust import independent_errors
from rigwarp.geometry.zernike import enclosing_disk
from rigwarp.rig import Measured
from rigwarp.table_map import MapFacts
from rigwarp.table_map.ripple import MapRipple
from rigwarp.tracing import OpticalModel

_MOST_SAMPLES = 16_000  # neighbours share their errors: more of them tell nothing new
PLANE_WARP_MM = 0.01
"""Rms per axis of all smooth errors of the table plane that the camera's covariance does not know."""
_WARP_BOARD_MM = 0.01
"""The same on a raised board alone: the camera's lens shows the board at other places of the picture than the table."""
_MUCH_WIDENED = 2.0  # sigmas wider by so much, by errors that neighbours share, are worth a sentence
_WARP_UNKNOWN_CAMERA_MM = 0.3  # the same where the camera came without a covariance


def estimate_as_built(
    model: OpticalModel,
    fit: MapFacts,
    tolerances: ArrayLike,
    camera: CameraModel,
    *,
    raised: Sequence[RaisedScan] = (),
    measured: Sequence[Measured] = (),
    modulations: Sequence[Modulation] = (),
) -> AsBuilt:
    """How the mirror was built and how it and the projector are mounted.

    Parameters
    ----------
    model : the design, as in rig.toml (not registered).
    fit : what `fit_table_map` returns, or anything else with its averaged samples and their ripples.
    tolerances : (12,)
        1-sigma of the mounting: projector shift mm, turn rad, mirror shift mm, turn rad, three each, table axes.
    camera : its covariance gives the errors that all samples share; that of a view's lens gives more of them.
    raised : scans on boards above the table, which tell the mirror's radius apart from its distance.
    measured : lengths from rig.toml.
    modulations : how strongly the stripes of the table's scans show, which tells ripples finer than the beam.

    Raises
    ------
    MeasurementError
        Where samples are too few, the design does not send light where it was measured, or the light meets so small or
        so folded a part of the mirror that its shape cannot be told.

    Notes
    -----
    One maximum-a-posteriori fit; see `rigwarp.as_built.solve.map_fit`. Besides the camera's own covariance the table
    positions may be off by smooth polynomials (order 3, together 0.01 mm rms, the same at every height, like the
    camera's errors): a sheet that was stretched, a table that is not flat, a lens that is not a polynomial. Without
    them thousands of samples would claim a radius to a micrometre.
    """
    tolerances = np.asarray(tolerances, float)
    table = RaisedScan.of(fit, camera)
    try:
        data = join_data(_data(model, table), [_data(model, scan) for scan in raised])
        solved = fit_map(model, data, tolerances, measured)
        return _result(model, solved, tolerances, [table, *raised], modulations, measured, fit.ripples)
    except (np.linalg.LinAlgError, QhullError) as error:
        raise MeasurementError(
            f"as built: the equations have no solution ({error}): the light meets too small a part of the mirror, or "
            "the mirror gathers it in a spot. Expected light spread over some square centimetres of both. Check "
            "position_mm, rotation_deg and the mirror's radius in rig.toml, look at the picture of: rigwarp trace, and "
            "scan again."
        ) from error


def _data(model: OpticalModel, scan: RaisedScan) -> Data:
    cells, sigma_mm, zone, camera = scan.cells, scan.cell_sigma_mm, scan.cell_zone, scan.camera
    good = np.isfinite(cells.pixels_px).all(axis=-1) & np.isfinite(cells.table_mm).all(axis=-1)
    good &= np.isfinite(sigma_mm) & (sigma_mm > 0.0) & np.isin(zone, [s.zone for s in model.surfaces])
    check_enough(int(np.count_nonzero(good)))
    chosen = np.flatnonzero(good)
    chosen = chosen[:: -(-len(chosen) // _MOST_SAMPLES)]
    table = cells.table_mm[chosen]
    known = camera.covariance is not None
    measured = np.concatenate([table, cells.camera_px[chosen]], axis=-1)
    place, camera_px = np.split(beside_own_noise(measured, cells.pixels_px[chosen], zone[chosen]), 2, axis=-1)
    common = [plane_warp(place, PLANE_WARP_MM if known else _WARP_UNKNOWN_CAMERA_MM)]
    height = heights_mm(model, scan.board, table)
    if camera.covariance is not None:
        common.append(camera.plane_sensitivity(camera_px, float(height.mean())) @ independent_errors(camera.covariance))
    if model.projector.lens is not None:
        common.append(lens_errors(model, model.projector.lens, cells.pixels_px[chosen], zone[chosen]))
    if scan.board is not None:
        common += [board_errors(model, scan, chosen, scan.board), plane_warp(place, _WARP_BOARD_MM)]
    return Data(
        pixels_px=cells.pixels_px[chosen],
        table_mm=table,
        sigma_mm=np.hypot(sigma_mm[chosen], SHARED_MM),
        zone=zone[chosen],
        camera=np.nan_to_num(np.concatenate(common, axis=-1)),
        information_weight=np.ones(len(chosen)),
        height_mm=height,
        scan=np.zeros(len(chosen), np.int64),
        ripple_mm=np.zeros(table.shape) if scan.cell_ripple_mm is None else scan.cell_ripple_mm[chosen],
    )


def _result(
    model: OpticalModel,
    fit: MapFit,
    tolerances: Array,
    scans: Sequence[RaisedScan],
    modulations: Sequence[Modulation],
    measured: Sequence[Measured],
    followed: Sequence[MapRipple],
) -> AsBuilt:
    grid, motions, data = fit.problem.grid, fit.problem.motions, fit.problem.data
    side = grid.side
    ripple, search = find_ripple(*_all_slopes(model, fit, side))
    heights = heights_of(model, fit, _taken(fit, ripple, followed))
    xy = grid.points.point_mm[:, :2]
    disk = enclosing_disk(xy)
    terms, to_terms = fit_matrix(disk, xy)
    share, zernike = _zernike(heights, side, terms, to_terms, fit)
    height_um, slope_mrad = 1000.0 * side * heights.value, 1000.0 * side * heights.slope
    n_mount = len(tolerances)
    middle = model.mirror.to_table(grid.points.point_mm.mean(axis=0))
    told = observability(model, motions, tolerances, fit.covariance[:n_mount, :n_mount], middle)
    determined = share < POWER_FROM_PRIOR
    open_names = told.names if determined else (*told.names, "the mirror's radius (power) against its distance")
    table, power = scans[0], terms.index((2, 0))
    to_power, size = to_terms[power], zernike[power]
    radius, deciders = None, None
    if determined:
        power_mm, sigma_mm = 1e-3 * side * size.um, 1e-3 * size.sigma_um
        radius = built_radius(model.surfaces, xy, motions, to_power=to_power, power_mm=power_mm, sigma_mm=sigma_mm)
    else:
        by_unknowns, camera_mm = heights.derivative(to_power[None])[0], table.camera.position_mm
        raised = len(scans) > 1
        deciders = deciders_of(model, fit, by_unknowns, measured=measured, raised=raised, camera_mm=camera_mm)
    moved = moved_model(model, fit.mounting)
    fine = fine_ripples(moved, modulations, table.cells, table.cell_zone, table.camera, known=ripple)
    unmodelled = None
    if fit.widened > _MUCH_WIDENED:
        moves_mm = float(np.sqrt(np.nanmean(np.sum(fit.residual_mm**2, axis=-1))))
        unmodelled = Unmodelled(reach_mm=fit.shared.reach_mm, moves_mm=moves_mm, widened=fit.widened)
    panels, folds = panels_of(model.surfaces, grid, heights, side)
    height_map, sigma_map = grid.spread(height_um), grid.spread(1000.0 * heights.sigma)
    defects: list[Defect] = []
    for zone in zones_lit(grid.zone):  # each by itself: at a fold the form has a step
        height, sigma = (np.where(grid.zone == zone, values, np.nan) for values in (height_map, sigma_map))
        defects += find_defects(grid.x_mm, grid.y_mm, height, sigma)
    defects.sort(key=lambda defect: -abs(defect.depth_um))
    figures = form_figures(
        height_um,
        slope_mrad,
        1000.0 * heights.sigma,
        xy_mm=xy,
        disk=disk,
        rigid=motions.shown,
        spacing_mm=float(grid.x_mm[1] - grid.x_mm[0]),
    )
    return AsBuilt(
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        height_um=height_map,
        height_sigma_um=sigma_map,
        slope_x_mrad=grid.spread(slope_mrad[:, 0]),
        slope_y_mrad=grid.spread(slope_mrad[:, 1]),
        zone=grid.zone,
        pose=_mounting(fit, told.determined),
        unobservable=open_names,
        power_determined=determined,
        power_prior_share=share,
        deciders=deciders,
        radius=radius,
        zernike=zernike,
        aperture_centre_mm=disk.centre_mm,
        aperture_radius_mm=disk.radius_mm,
        figures=figures,
        acceptance=acceptance_of(grid, figures, radius_mm=disk.radius_mm, power_determined=determined),
        panels=panels,
        folds=folds,
        defects=tuple(defects),
        findings=findings_of(
            zernike=zernike,
            power_determined=determined,
            rms_um=figures.rms_um,
            radius=radius,
            radius_mm=disk.radius_mm,
            folds=folds,
            panels=panels,
            defects=defects,
            ripple=ripple,
            fine_ripples=fine,
            way_mm=float(middle[2] - model.table_height_mm),
            unmodelled=unmodelled,
        ),
        ripple=ripple,
        ripple_search=search,
        fine_ripples=fine if modulations else None,
        residual_mm=float(np.sqrt(np.nanmean(fit.residual_mm**2))),
        held_out_mm=fit.problem.held_rms_mm,
        noise_scale=fit.noise_scale,
        shared_reach_mm=fit.shared.reach_mm,
        n_samples=len(data.zone),
        reflecting_side=int(side),
        camera_known=table.camera.covariance is not None,
        heights=height_fits(scans, data.height_mm, fit.residual_mm, model.table_height_mm),
        measured_lengths=tuple(one.what for one in measured),
    )


def _taken(fit: MapFit, ripple: Ripple | None, followed: Sequence[MapRipple]) -> TakenRipple | None:
    """The ripple that was taken off the samples before the fit.

    Each wave has as much of the slopes' mean square as of the light's on the table; where no ray told the map's a
    period, the spectrum's wave has all of it.
    """
    data, xy_mm = fit.problem.data, fit.problem.grid.points.point_mm[:, :2]
    good = np.isfinite(fit.residual_mm).all(axis=-1)
    waves = [(one.zone, one.period_mm, one.amplitude_mm**2 * one.share) for one in followed if one.period_mm > 0.0]
    if not data.ripple_mm[good].any() or not (waves or ripple):
        return None
    slope = np.linalg.solve(fit.linearised.by_height[good][:, :, 1:], data.ripple_mm[good][:, :, None])
    square, zone = np.sum(slope**2, axis=(1, 2)), data.zone[good]

    def of_zone(number: int) -> tuple[Array, Array]:
        own = [wave[1:] for wave in waves if wave[0] == number] or [wave[1:] for wave in waves]
        period, part = np.array(own or [(ripple.period_mm if ripple else np.nan, 1.0)]).T
        return float(square[zone == number].mean()) * part / part.sum() * (period / (2.0 * np.pi)) ** 2, period

    # one panel's is not another's
    mean_square_mm2, period_mm = max((of_zone(n) for n in np.unique(zone)), key=lambda one: float(one[0].sum()))
    return TakenRipple(mean_square_mm2=mean_square_mm2, period_mm=period_mm, xy_mm=xy_mm)


def _zernike(
    heights: Heights,
    side: float,
    terms: tuple[tuple[int, int], ...],
    to_terms: Array,
    fit: MapFit,
) -> tuple[float, tuple[ZernikeTerm, ...]]:
    """Terms with sigmas, and the share of the power's variance that comes from the mounting tolerances."""
    value, covariance = heights.linear(to_terms)
    um, sigma_um = 1000.0 * side * value, 1000.0 * np.sqrt(np.maximum(np.diag(covariance), 0.0))
    power = terms.index((2, 0))
    by_prior = (heights.derivative(to_terms[[power]]) @ fit.narrow)[0, : len(fit.problem.scale)]
    share = float(by_prior @ fit.prior_precision @ by_prior / max(float(covariance[power, power]), 1e-300))
    found = tuple(
        ZernikeTerm(n=order, m=m, um=float(a), sigma_um=float(s))
        for (order, m), a, s in zip(terms, um, sigma_um, strict=True)
    )
    return share, found


def _mounting(fit: MapFit, determined: NDArray[np.bool_]) -> Mounting:
    unit, scale = np.repeat([1.0, 1000.0, 1.0, 1000.0], 3), fit.problem.scale
    sigma = np.sqrt(np.diag(fit.covariance))[: len(scale)] * scale
    n = len(unit)
    return Mounting(
        values=fit.mounting[:n] * unit,
        sigma=sigma[:n] * unit,
        prior_sigma=scale[:n] * unit,
        determined=determined,
        optics=fit.mounting[n:],
        optics_sigma=sigma[n:],
        optics_prior_sigma=OPTICS_SIGMA,
    )


def _all_slopes(model: OpticalModel, fit: MapFit, side: float) -> tuple[Array, Array]:
    """Where samples of the largest zone meet the mirror (M, 2) and the slopes there (M, 2), mrad, mirror frame.

    The figure's slopes plus what the residuals, and the ripple that was taken off before the fit, say about them:
    finer than the spline's cells.
    """
    data, state = fit.problem.data, fit.linearised
    zones, counts = np.unique(data.zone, return_counts=True)
    zone = int(zones[np.argmax(counts)])
    here = (data.zone == zone) & np.isfinite(fit.residual_mm).all(axis=-1)
    left_mm = fit.residual_mm[here] + data.ripple_mm[here]
    slope = fit.problem.rows.deviation(fit.coefficients_mm, here).slope
    slope = slope + np.linalg.solve(state.by_height[here][:, :, 1:], left_mm[:, :, None])[:, :, 0]
    R = next(s for s in model.surfaces if s.zone == zone).T_mirror_from_surface[:3, :3]
    mirror = slope @ R[:2, :2].T
    trusted = fit.weight[here] > 0.5
    return state.mirror_mm[here][trusted, :2], 1000.0 * side * mirror[trusted]
