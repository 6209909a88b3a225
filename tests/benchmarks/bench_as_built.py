"""Twenty seeded rigs with a known mirror: how near the estimate comes, and whether its sigmas are honest.

Each rig has a mounting, projector optics and a figure drawn at random (astigmatism, trefoil, coma, power, spherical
part and a dent), a table that is off by smooth errors of some hundredths of a millimetre, and a camera that is off by
what its covariance says. Samples come from exact tracing; errors are those of the estimate against the drawn figure
after the same rigid alignment. The z-scores are those of the Zernike terms from order 2 on, power by itself.

Most of the slope error is no error of shape: a paraboloid decentred with the tilt that undoes it sends light nearly
where it did, so the estimate's dent lies off its place by what the seat's tolerance leaves open, 0.9 mm (1-sigma) along
both axes. The estimate names this motion as not observable; the slope is stated with it and without it.
"""

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / part) for part in ("as_built", "benchmarks", "support")]

from as_built_rig import (  # noqa: E402
    RADIUS_MM,
    TOLERANCES,
    make_camera,
    make_model,
    moved,
    scan,
    spline_of,
    with_throw,
)
from unseen_motion import slope_rms_mrad, without_unseen_motion  # noqa: E402

from rigwarp.as_built import estimate_as_built, remove_rigid  # noqa: E402
from rigwarp.as_built.describe.form import fit_matrix  # noqa: E402
from rigwarp.geometry.zernike import Disk, zernike  # noqa: E402

_RIGS = 20
_STEP_PX = 7  # a 1280 x 720 projector: some 8000 samples
_WARP_MM = 0.015  # rms of the table's smooth error
_TERMS = {(2, 2): 20.0, (2, -2): 20.0, (2, 0): 15.0, (3, 3): 6.0, (3, 1): 4.0, (3, -1): 4.0, (4, 0): 2.0}  # um rms
_IRREGULARITY_UM, _SLOPE_MRAD = 3.0, 0.2
_LEAST_WITHIN = 19  # of 20 rigs, power within two sigma
_SPREAD = (0.8, 1.2)
_SURE = 1e-6  # of the camera's covariance: it is the true one
_WITH_SURE_CAMERA_UM = 1.0


def measure() -> dict[str, Any]:
    """Errors and z-scores over the rigs, and which targets hold."""
    start = time.process_time()
    rigs = [_rig(seed, sure_camera=False) for seed in range(_RIGS)]
    seconds = (time.process_time() - start) / _RIGS
    sure = [_rig(seed, sure_camera=True) for seed in range(4)]
    z = np.concatenate([rig["z"] for rig in rigs])
    power = np.array([rig["power_z"] for rig in rigs])
    irregularity = np.array([rig["irregularity_um"] for rig in rigs])
    slope = np.array([rig["slope_mrad"] for rig in rigs])
    shape = np.array([rig["slope_of_shape_mrad"] for rig in rigs])
    spread = float(np.sqrt(np.mean(z**2)))
    within = int(np.sum(np.abs(power) < 2.0))
    best = max(rig["irregularity_um"] for rig in sure)
    return {
        "rigs": _RIGS,
        "irregularity_um": {"median": float(np.median(irregularity)), "largest": float(irregularity.max())},
        "irregularity_sure_camera_um": {"largest": float(best)},
        "slope_mrad": {"median": float(np.median(slope)), "largest": float(slope.max())},
        "slope_mrad, motions named as not observable taken out": {
            "median": float(np.median(shape)),
            "largest": float(shape.max()),
        },
        "power_within_two_sigma": within,
        "zernike_z_spread": spread,
        "zernike_z_largest": float(np.abs(z).max()),
        "cpu_seconds_per_estimate": seconds,
        "held": {
            "irregularity within 3 um": bool(irregularity.max() < _IRREGULARITY_UM),
            "irregularity within 1 um with the true camera": bool(best < _WITH_SURE_CAMERA_UM),
            "slope without power within 0.2 mrad": bool(slope.max() < _SLOPE_MRAD),
            "the same, motions named as not observable taken out": bool(shape.max() < _SLOPE_MRAD),
            "power within two sigma in 19 of 20": within >= _LEAST_WITHIN,
            "z-scores of spread 0.8 to 1.2": bool(_SPREAD[0] < spread < _SPREAD[1]),
        },
    }


def _rig(seed: int, *, sure_camera: bool) -> dict[str, Any]:
    rng = np.random.default_rng(1000 + seed)
    model, camera = make_model(), make_camera()
    figure = _figure(rng)
    built = with_throw(moved(model, TOLERANCES * np.clip(rng.normal(size=12), -2, 2)), 0.004 * rng.normal())
    table = scan(built.with_figure({0: figure}), camera, step_px=_STEP_PX, seed=seed, lit_by=built)
    if not sure_camera:
        lens = np.linalg.cholesky(np.asarray(camera.covariance)) @ rng.normal(size=15)
        off = camera.plane_sensitivity(table.cells.camera_px, 0.0) @ lens + _warp(rng, table.cells.table_mm)
        table.cells.table_mm[:] += off
    else:
        camera = replace(camera, covariance=_SURE * np.asarray(camera.covariance))
    result = estimate_as_built(model, table, TOLERANCES, camera)
    return _judge(result, figure, model)


def _figure(rng: np.random.Generator) -> Any:
    sizes = {term: 1e-3 * um * rng.normal() for term, um in _TERMS.items()}
    x0, y0 = rng.uniform(-15.0, 15.0, 2)
    depth = rng.uniform(0.004, 0.012)

    def height(x: Any, y: Any) -> Any:
        rho, theta = np.hypot(x, y) / RADIUS_MM, np.arctan2(y, x)
        total = sum(c * zernike(n, m, rho, theta) for (n, m), c in sizes.items())
        return total - depth * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2.0 * 4.0**2))

    return spline_of(height)


def _warp(rng: np.random.Generator, table_mm: Any) -> Any:
    """Random quadratics along x and y."""
    x, y = (table_mm / 250.0).T
    functions = np.stack([x, y, x * x - 0.25, y * y - 0.25, x * y], axis=-1)
    off = functions @ rng.normal(size=(5, 2))
    return _WARP_MM * off / np.sqrt(np.mean(off**2))


def _judge(result: Any, figure: Any, model: Any) -> dict[str, Any]:
    X, Y = np.meshgrid(result.x_mm, result.y_mm)
    height = 1000.0 * result.reflecting_side * figure.value(X, Y)
    truth = remove_rigid(np.where(np.isfinite(result.height_um), height, np.nan), result.x_mm, result.y_mm, model)
    lit = np.isfinite(truth)
    error = result.height_um - truth
    off = error[lit]
    terms = np.column_stack([np.ones(off.size), X[lit], Y[lit], X[lit] ** 2 + Y[lit] ** 2])
    share = np.linalg.lstsq(terms, off, rcond=None)[0]
    slope = np.stack([result.slope_x_mrad[lit], result.slope_y_mrad[lit]], axis=-1)
    slope = slope - 1000.0 * result.reflecting_side * figure.gradient(X[lit], Y[lit])
    slope = slope - 2.0 * share[3] * np.stack([X[lit], Y[lit]], axis=-1)
    slope = slope - slope.mean(axis=0)
    disk = Disk(centre_mm=result.aperture_centre_mm, radius_mm=result.aperture_radius_mm)
    names, to_terms = fit_matrix(disk, np.stack([X[lit], Y[lit]], axis=-1))
    z = (np.array([t.um for t in result.zernike]) - to_terms @ truth[lit]) / [t.sigma_um for t in result.zernike]
    return {
        "irregularity_um": float(np.std(off - terms @ share)),
        "slope_mrad": float(np.sqrt(np.mean(np.sum(slope**2, axis=-1)))),
        "slope_of_shape_mrad": slope_rms_mrad(without_unseen_motion(error, result), result.x_mm, result.y_mm),
        "power_z": float(z[names.index((2, 0))]),
        "z": z[[n >= 2 and (n, m) != (2, 0) for n, m in names]],
    }


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("as_built", measure))
