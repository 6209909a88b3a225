"""The form of a view's mirrors as fitted, against how a virtual rig has built them."""

from typing import Any

import numpy as np

from rigwarp.as_built import align_built, remove_rigid
from rigwarp.as_built.describe.form import fit_matrix
from rigwarp.devices import open_virtual_view
from rigwarp.files import RigFolder, current_view, read_as_built
from rigwarp.files.names import VIEW_FILE
from rigwarp.files.records import ViewMirrorRecord, ViewRecord
from rigwarp.geometry import Array
from rigwarp.geometry.pixel_map import NO_LIGHT
from rigwarp.geometry.zernike import Disk
from rigwarp.jobs.view.trace import parts_of
from rigwarp.tracing import OpticalModel


def judged_mirrors(folder: RigFolder) -> list[dict[str, Any]]:
    """By mirror of the current view: how far its form is off, and over its sigma; or why it is not told."""
    record = ViewRecord.read(current_view(folder.root) / VIEW_FILE)
    models = {part.mirror: part.model for part in parts_of(folder)}
    return [_judged(folder, one, models[one.mirror]) for one in record.as_built if one.mirror is not None]


def _judged(folder: RigFolder, record: ViewMirrorRecord, model: OpticalModel) -> dict[str, Any]:
    if record.not_told is not None:
        return {"not_told": record.not_told}
    number = int(record.mirror or 0)
    arrays, said = read_as_built(current_view(folder.root) / f"mirror-{number}")
    built, off = form_error_um(folder, number, arrays, said, model)
    known = np.isfinite(off)
    return {
        "built_um": float(np.sqrt(np.mean(built[known] ** 2))),
        "off_um": float(np.sqrt(np.mean(off[known] ** 2))),
        "z": _terms_over_sigma(off[known], np.stack(np.meshgrid(arrays["x_mm"], arrays["y_mm"]), axis=-1)[known], said),
        "told_um": record.figure_rms_um,
        "findings": list(record.findings),
    }


def _terms_over_sigma(off_um: Array, xy_mm: Array, said: dict[str, Any]) -> float:
    """Root mean square of the Zernike terms' errors over their sigmas: of the form, without its power."""
    about = said["zernike"]
    disk = Disk(centre_mm=np.array(about["aperture_centre_mm"]), radius_mm=about["aperture_radius_mm"])
    names, to_terms = fit_matrix(disk, xy_mm)
    sigma = {(one["n"], one["m"]): one["sigma_um"] for one in about["terms"]}
    z = [
        term / sigma[n, m]
        for (n, m), term in zip(names, to_terms @ off_um, strict=True)
        if n >= 2 and (n, m) != (2, 0) and sigma.get((n, m))
    ]
    return float(np.sqrt(np.mean(np.square(z))))


def form_error_um(
    folder: RigFolder, mirror: int, arrays: dict[str, Array], said: dict[str, Any], model: OpticalModel
) -> tuple[Array, Array]:
    """(ny, nx) built minus design and estimated minus built, both rigidly aligned where both are known."""
    virtual, side = open_virtual_view(folder), said["sign"]["reflecting_side_along_mirror_z"]
    x_mm, y_mm = arrays["x_mm"], arrays["y_mm"]

    def true_mm(x: Array, y: Array, _: int) -> Array:
        return virtual.true_figure_mm(mirror, x, y)

    x, y = np.meshgrid(x_mm, y_mm)
    both = np.isfinite(arrays["height_um"]) & np.isfinite(true_mm(x, y, 0))
    aligned = align_built(true_mm, x_mm, y_mm, np.where(both, 0, NO_LIGHT).astype(np.int16), model)
    estimate = np.where(np.isfinite(aligned), arrays["height_um"], np.nan)
    built = 1000.0 * side * aligned
    return built, np.asarray(remove_rigid(estimate, x_mm, y_mm, model) - built)
