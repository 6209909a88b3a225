"""The table map of the virtual rigs against what was built: with the photographed camera and with the true one.

z is the spread of error / sigma_mm over the content area. Most of sigma is common to all positions (print scale, sheet
height, lens), so one rig is one draw of it: z below 1 means that this rig's sheet is better than the ruler could tell.
"z, fine structure" leaves smooth errors out (polynomials of fifth order) and judges the random part alone.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
from pathlib import Path
from typing import Any

import numpy as np
from demo_rigs import demo_folders

from rigwarp.camera import CameraModel
from rigwarp.commands.demo import map_against_truth
from rigwarp.commands.design import design_model
from rigwarp.commands.fit import rig_tolerances
from rigwarp.devices import open_virtual
from rigwarp.files import RigFolder, complete_runs, open_rig, read_camera, read_decoded
from rigwarp.geometry import Array, PixelMap
from rigwarp.rig import inside_content
from rigwarp.table_map import TableMapFit, fit_table_map, join_samples, samples_from_scan

_SCENARIOS = ("round-table", "folded-counter")
_WANTED_MM = {"photographed camera": 0.10, "true camera": 0.03}
_Z = (0.9, 1.1)


def measure() -> dict[str, Any]:
    """Errors in mm and z of each rig and camera."""
    figures: dict[str, Any] = {}
    held: dict[str, bool] = {}
    for scenario, root in demo_folders(_SCENARIOS):
        figures[scenario] = _judge(open_rig(root))
        for camera, wanted in _WANTED_MM.items():
            found = figures[scenario][camera]
            held[f"{scenario}, {camera}: at most {wanted:g} mm rms"] = found["rms_mm"] <= wanted
            held[f"{scenario}, {camera}: covers 99 %"] = found["coverage"] >= 0.99
            held[f"{scenario}, {camera}: z between {_Z[0]} and {_Z[1]}"] = _Z[0] <= found["z"] <= _Z[1]
    return {**figures, "held": held}


def _judge(folder: RigFolder) -> dict[str, Any]:
    virtual = open_virtual(folder)
    truth, exact = virtual.true_map(), virtual.true_camera()
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    true_camera = CameraModel(
        resolution=folder.rig.camera.resolution, **{n: np.asarray(exact[n], float) for n in names}
    )
    decoded = [read_decoded(run / "decoded.npz") for run in complete_runs(folder.root / "scans")]
    cameras = {"photographed camera": read_camera(folder.root / "camera.json"), "true camera": true_camera}
    found = {}
    for name, camera in cameras.items():
        samples = join_samples([samples_from_scan(one, camera, folder.rig.table) for one in decoded])
        fit = fit_table_map(design_model(folder), samples, camera, rig_tolerances(folder.rig))
        found[name] = {**map_against_truth(folder.rig, fit.table_map, truth), **_z(folder, fit, truth)}
    return found


def _z(folder: RigFolder, fit: TableMapFit, truth: PixelMap) -> dict[str, float]:
    both = truth.answered & fit.table_map.measured
    both[both] = inside_content(folder.rig.content, truth.table_mm[both])
    place = truth.table_mm[both]
    error = fit.table_map.table_mm[both] - place
    fine = error - _smooth_part(place / np.abs(place).max(), error)
    return {
        "z": float(np.std(error / fit.table_map.sigma_mm[both][:, None])),
        "z, fine structure": float(np.std(fine / fit.random_mm[both][:, None])),
    }


def _smooth_part(place: Array, error: Array) -> Array:
    powers = [(i, j) for i in range(6) for j in range(6 - i)]
    basis = np.stack([place[:, 0] ** i * place[:, 1] ** j for i, j in powers], axis=-1)
    return np.asarray(basis @ np.linalg.lstsq(basis, error, rcond=None)[0])


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from run import alone

    sys.exit(alone("demo", measure))
