"""The table map of the virtual rigs against what was built: with the photographed camera and with the true one.

z is the root mean square of error / sigma_mm over the content area. Nearly all of sigma is common to all positions
(print scale, sheet height, lens), so that one rig is one draw of it: z far from 1 means that this rig's sheet is better
or worse than the ruler could tell, nothing else. Whether sigma is true, bench_sigma tells over two dozen rigs; what one
rig can tell is the random part: "z, fine structure" leaves smooth errors out. Pixels whose place the projector's pupil
smears (a dent; see tests/support/map_truth.py) are judged by themselves.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from demo_rigs import demo_folders
from map_truth import TrueMap, map_errors, spread, true_map

from rigwarp.camera import CameraModel
from rigwarp.devices import open_virtual
from rigwarp.files import RigFolder, complete_runs, open_rig, read_camera, read_decoded
from rigwarp.jobs.demo import map_against_truth
from rigwarp.jobs.design import design_model
from rigwarp.table_map import TableMapFit, fit_table_map, join_samples, rig_tolerances, samples_from_scan

_SCENARIOS = ("round-table", "folded-counter")
_WANTED_MM = {"photographed camera": 0.10, "true camera": 0.03}
_MOST_Z = 1.1


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
            held[f"{scenario}, {camera}: z of the random part at most {_MOST_Z:g}"] = (
                found["z, fine structure"] <= _MOST_Z
            )
    return {**figures, "held": held}


def _judge(folder: RigFolder) -> dict[str, Any]:
    virtual = open_virtual(folder)
    truth, exact = true_map(folder), virtual.true_camera()
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
        found[name] = {**map_against_truth(folder.rig, fit.table_map, truth.mean), **_z(folder, fit, truth)}
    return found


def _z(folder: RigFolder, fit: TableMapFit, truth: TrueMap) -> dict[str, float]:
    errors = map_errors(folder, fit, truth)
    clear = ~errors.smeared
    return {
        "z, this one draw": spread(errors.z[clear]),
        "z, fine structure": spread(errors.fine_z[clear]),
        "smeared_share": float(np.mean(errors.smeared)),
        "z, smeared": spread(errors.z[errors.smeared]),
    }


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("demo", measure))
