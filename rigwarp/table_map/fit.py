"""The table map: registered design plus a smooth residual per zone, on the whole projector grid."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from rigwarp.camera import CameraModel
from rigwarp.decode import CurveWaves
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.geometry.threads import in_two_threads
from rigwarp.table_map.assemble import Common, TableMapFit, assemble
from rigwarp.table_map.borders import Borders, find_borders
from rigwarp.table_map.registration import Registration, register
from rigwarp.table_map.rims import find_seen
from rigwarp.table_map.samples import Samples
from rigwarp.table_map.zone_fit import fit_zone
from rigwarp.table_map.zones import assign_zones
from rigwarp.tracing import OpticalModel, trace_map


def fit_table_map(
    model: OpticalModel,
    samples: Samples,
    camera: CameraModel | Common,
    tolerances: Array,
    *,
    motion_px: float = 0.0,
    light_px: float = 0.0,
    bands_px: float = 0.0,
    curve_px: float = 0.0,
    curve_waves: CurveWaves = ((), ()),
) -> TableMapFit:
    """Fit the table map to the samples of a scan.

    Parameters
    ----------
    model : the traced design.
    samples : one per decoded camera pixel.
    camera : lens and pose, for the common part of the uncertainty; or what tells it.
    tolerances : (12,) mounting tolerances, see `mounting_tolerances`.
    motion_px : 1-sigma of what taking out a motion of the camera left of it, camera pixels per axis.
    light_px, bands_px, curve_px : 1-sigma of what taking out changes of the light, bands, and the camera's curve left
        of them, projector pixels per axis; neighbours share it, so that no fit averages it away.
    curve_waves : at which frequencies the curve shows; what the samples tell of it is taken out of them.

    Raises
    ------
    MeasurementError
        If no zone has enough samples.
    """
    registration = _register(model, samples, tolerances)
    moved = registration.model
    width, height = moved.projector.resolution
    with ThreadPoolExecutor(1) as beside:
        traced = beside.submit(trace_map, moved)
        alone = len(moved.surfaces) == 1
        if alone:
            borders = _one_zone(moved, samples)
        else:
            per_area = isinstance(camera, CameraModel)  # not a view's own scan
            borders = find_borders(moved, traced.result().zone, samples, per_area=per_area)
        seen = find_seen(samples, borders, (height, width))
        numbers = [moved.surfaces[0].zone] if alone else np.unique(borders.zone[borders.zone >= 0]).tolist()
        found = in_two_threads(lambda number: fit_zone(moved, number, samples, borders, seen, curve_waves), numbers)
        design = traced.result()
    fits = [fit for fit in found if fit is not None]
    if not fits or not design.answered.any():
        raise MeasurementError(
            f"{len(samples)} samples are spread too thinly over the projector picture to fit a map: the camera must "
            "see the whole lit table, and the design in rig.toml must light the same part of the projector picture"
        )
    return assemble(
        fits, borders, registration, design, len(samples), camera, motion_px, (light_px, bands_px, curve_px)
    )


def _one_zone(model: OpticalModel, samples: Samples) -> Borders:
    """Of a mirror of one zone, whose light all samples are."""
    zone = np.broadcast_to(np.asarray(model.surfaces[0].zone, np.int64), len(samples))  # takes no memory
    return Borders(borders=(), zone=zone, sound=np.broadcast_to(np.asarray(True), len(samples)))


def _register(model: OpticalModel, samples: Samples, tolerances: Array) -> Registration:
    thin = samples.only(np.arange(0, len(samples), max(1, len(samples) // 20_000)))
    one = len(model.surfaces) == 1
    zone = np.full(len(thin), model.surfaces[0].zone) if one else assign_zones(model, trace_map(model).zone, thin)
    return register(model, thin.pixels_px, thin.table_mm, zone, tolerances)
