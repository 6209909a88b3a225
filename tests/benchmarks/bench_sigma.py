"""Is the map's sigma true? Twenty-four virtual rigs whose unknowns are drawn from the priors that sigma stands on.

Most of sigma is common to all positions: how well the sheet's print scale (0.05 %) and height (0.05 mm) are known, and
what no lens model gets right (0.01 px). On one rig these are one draw each, so its z may be anything from 0 to 2; only
over many rigs does sigma show itself true or not. Each rig has its own print scale along x and y, sheet height, lens
(a thin prism that five coefficients cannot hold), camera place, photographs and scan; the whole chain runs on it: board
and sheet photographed, lens and pose, scan, decoding, map. The draws of the priors are normal, whitened so that over
the rigs their means, variances and correlations are exact: two dozen rigs then tell as much as a few hundred would.

z is the root mean square of error / sigma_mm over the content area of all rigs, with the photographed camera and with
the true one (whose lens model lacks the prism). "z, fine structure" leaves smooth errors out: the random part.
Pixels whose place the pupil smears (tests/support/map_truth.py) are judged by themselves.

    python tests/benchmarks/run.py [--seeds A-B] [--jobs N] [--json] sigma

Seeds are the numbers of the rigs, 0 to 23.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks")]

import run  # noqa: E402
from map_truth import map_errors, read_truth, spread, true_map  # noqa: E402
from small_rig import make_small_rig  # noqa: E402
from whole_chain import photographed_camera, scanned, true_camera  # noqa: E402

from rigwarp.camera.boards.board_shape import PLAIN_PRINT  # noqa: E402
from rigwarp.files import RigFolder, open_rig  # noqa: E402
from rigwarp.geometry import Array  # noqa: E402
from rigwarp.jobs.design import design_model  # noqa: E402
from rigwarp.simulation import VirtualRig  # noqa: E402
from rigwarp.simulation.truth import VirtualTruth  # noqa: E402
from rigwarp.table_map import (  # noqa: E402
    fit_table_map,
    rig_tolerances,
    samples_from_scan,
)

_RIGS = 24
_SHEET_MM = 0.2  # nominal thickness: thick enough for the thinnest draw to stay above zero
_CAMERA_MM = 10.0  # put up anew for each rig, so that its pixels fall elsewhere on the sheet
_LENS_PX = 0.01  # what table_map allows for
_DRAWS = ("scale", "aspect", "height", "prism_x", "prism_y")
_Z = (0.9, 1.1)
_CAMERAS = ("photographed camera", "true camera")


def measure(scenario: str = "round-table", seeds: range = range(_RIGS), jobs: int = 1) -> dict[str, Any]:
    """z over all rigs, and how it spreads from rig to rig."""
    with tempfile.TemporaryDirectory() as name:
        path = make_small_rig(Path(name) / "rig", scenario)
        found = run.spread(partial(_rig, path), seeds, jobs)
    figures: dict[str, Any] = {"rigs": len(found)}
    held: dict[str, bool] = {}
    for camera in _CAMERAS:
        figures[camera] = _pooled([one[camera] for one in found])
        held[f"{camera}: z between {_Z[0]} and {_Z[1]}"] = _Z[0] <= figures[camera]["z"] <= _Z[1]
    return {**figures, "held": held}


def _drawn(folder: RigFolder, base: VirtualTruth) -> list[VirtualTruth]:
    """The rigs' truths."""
    random = np.random.default_rng(20)
    draws = _draws(random)
    prism = _prism_sigma(folder, base)
    mean, aspect = (PLAIN_PRINT.mean_scale * draws[name] for name in ("scale", "aspect"))  # together: each of x and y
    built = []
    for number in range(_RIGS):
        sheet = replace(
            base.sheet,
            scale_error=(float((mean + aspect)[number]), float((mean - aspect)[number])),
            thickness_mm=float(_SHEET_MM + PLAIN_PRINT.height_mm * draws["height"][number]),
        )
        bend = prism * np.array([draws["prism_x"][number], 0.0, draws["prism_y"][number], 0.0])
        moved = random.normal(0.0, _CAMERA_MM, 3)
        built.append(
            replace(
                base,
                seed=1000 + number,
                sheet=sheet,
                camera=replace(base.camera, thin_prism=bend, placement=base.camera.placement.moved(moved, np.zeros(3))),
            )
        )
    return built


def _draws(random: np.random.Generator) -> dict[str, Array]:
    """One standard normal value per unknown and rig; over the rigs of mean 0, variance 1 and uncorrelated."""
    values = random.standard_normal((_RIGS, len(_DRAWS)))
    along, _, across = np.linalg.svd(values - values.mean(axis=0), full_matrices=False)
    return dict(zip(_DRAWS, np.sqrt(_RIGS) * (along @ across).T, strict=True))


def _prism_sigma(folder: RigFolder, base: VirtualTruth) -> float:
    """The thin prism's first coefficient that moves what the camera sees of the table by _LENS_PX rms per axis."""
    half = np.array(folder.rig.table.size_mm) / 2
    x, y = np.meshgrid(*(np.linspace(-h, h, 41) for h in half))
    spots = np.stack([x, y, np.full_like(x, folder.rig.table.height_mm)], axis=-1)[
        x**2 / half[0] ** 2 + y**2 / half[1] ** 2 < 1
    ]
    eye = base.camera.placement
    seen = (spots - eye.position_mm) @ eye.rotation
    radius2 = np.sum((seen[:, :2] / seen[:, 2:]) ** 2, axis=-1)
    return _LENS_PX / float(base.camera.focal_px.mean() * np.sqrt(np.mean(radius2**2)))


def _rig(path: Path, number: int) -> dict[str, dict[str, Any]]:
    """The whole chain on one rig."""
    folder = open_rig(path)
    base, truth = read_truth(folder), true_map(folder)
    built = _drawn(folder, base)[number]
    virtual = VirtualRig(folder.rig, built, meshes=folder.meshes, profiles=folder.profiles)
    cameras = dict(
        zip(
            _CAMERAS,
            (photographed_camera(folder, virtual, sheet_mm=_SHEET_MM), true_camera(folder, virtual)),
            strict=True,
        )
    )
    decoded = scanned(folder, virtual)
    found = {}
    for name, camera in cameras.items():
        samples = samples_from_scan(decoded, camera, folder.rig.table)
        fit = fit_table_map(design_model(folder), samples, camera, rig_tolerances(folder.rig))
        errors = map_errors(folder, fit, truth)
        clear = ~errors.smeared
        found[name] = {
            "z": spread(errors.z[clear]),
            "fine_z": spread(errors.fine_z[clear]),
            "smeared_share": float(np.mean(errors.smeared)),
            "smeared_z": spread(errors.z[errors.smeared]),
            "rms_mm": float(np.sqrt(np.mean(np.sum(errors.error_mm**2, axis=-1)))),
        }
    return found


def _pooled(rigs: list[dict[str, Any]]) -> dict[str, Any]:
    square = np.array([rig["z"] for rig in rigs]) ** 2
    z = float(np.sqrt(square.mean()))
    return {
        "z": z,
        "z, standard error": float(square.std(ddof=1) / np.sqrt(len(square)) / (2 * z)),
        "z of single rigs, 10th and 90th percentile": ", ".join(
            f"{q:.2f}" for q in np.sqrt(np.percentile(square, (10, 90)))
        ),
        "z, fine structure": spread(np.array([rig["fine_z"] for rig in rigs])),
        "rms_mm": spread(np.array([rig["rms_mm"] for rig in rigs])),
        "smeared_share": float(np.mean([rig["smeared_share"] for rig in rigs])),
        "smeared_z": spread(np.nan_to_num([rig["smeared_z"] for rig in rigs])),
    }


if __name__ == "__main__":
    sys.exit(run.alone("sigma", measure))
