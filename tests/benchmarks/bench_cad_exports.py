"""Exports of two outside CAD kernels, read as files and traced, against exact rays.

Paraboloids, spheres, cylinders and waves are closed forms; of B-spline solids the kernel's own evaluation of its face
is the truth. Needs the packages of requirements.txt. DEVELOPERS.md says what was changed after a first run.
"""

import sys
import tempfile
import time
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from mesh_rig import mesh_rig
from run import spread

_TOLERANCE_MM, _HONEST = 0.005, 1.3
_MOST_MISSING = 0.002  # of the clean face, where nothing shades it
_RESOLUTION = (96, 54)
_ON_FACE_MM, _MOST_OF_PEER, _STEP_MM = 1e-3, 4000, 0.05
_LENS_MM = -140.0  # the picture is 117 mm wide: all but the rim


def measure(cells: list[str] | None = None, jobs: int = 1) -> dict[str, Any]:
    """Error on the table in mm rms, error over sigma, what is missing, and processor time of each export."""
    from cad_parts import parts

    every = [f"{part.kernel}: {part.name} ({part.file.rpartition('.')[2]})" for part in parts()]
    names = [name for name in every if not cells or any(fnmatch(name, pattern) for pattern in cells)]
    # a part is a kernel's own object, which no process can hand to another: each draws them anew, once
    numbers = [every.index(name) for name in names]
    shares = [numbers[first::jobs] for first in range(min(jobs, len(numbers)))]
    judged = {number: case for share in spread(_drawn, shares, jobs) for number, case in share.items()}
    found = {name: judged[number] for name, number in zip(names, numbers, strict=True)}
    clean = [case for case in found.values() if "refused" not in case]
    return {
        **found,
        "exports": len(found),
        "held": {
            "every export is traced": len(clean) == len(found),
            f"at most {_TOLERANCE_MM:g} mm rms": all(case["table_rms_mm"] <= _TOLERANCE_MM for case in clean),
            f"error over sigma at most {_HONEST:g}": all(case["error_over_sigma"] <= _HONEST for case in clean),
            "no light of a clean face missing": all(
                case["missing"] <= _MOST_MISSING or case["shaded"] for case in clean
            ),
        },
    }


def _drawn(numbers: list[int]) -> dict[int, dict[str, Any]]:
    from cad_parts import parts

    return {number: _judged(part) for number, part in enumerate(parts()) if number in numbers}


def _judged(part: Any) -> dict[str, Any]:
    from cad_exports import exact_spots

    from rigwarp.errors import RigwarpError
    from rigwarp.files import open_rig
    from rigwarp.tracing import build_model, trace_map

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig = mesh_rig(
            part.file,
            resolution=_RESOLUTION,
            throw_ratio=1.2,
            lens_mm=_LENS_MM,
            table_mm=-600,
            turned_rad=part.turned_rad,
        )
        (folder / "rig.toml").write_text(rig, encoding="utf-8")
        part.write(folder / part.file)
        began = time.process_time()
        try:
            opened = open_rig(folder)
            rig, meshes = opened.rig, opened.meshes
            model = build_model(rig, meshes=meshes)
        except RigwarpError as error:
            return {"refused": str(error)}
        traced = trace_map(model)
        seconds = time.process_time() - began
    spots, at = exact_spots(rig, part.surface.height, part.surface.slope)
    wanted = part.clean(at[..., 0], at[..., 1]) & (np.linalg.norm(spots, axis=-1) < 2000.0)
    both = wanted & traced.answered
    off = np.sum((traced.table_mm - spots)[both] ** 2, axis=-1)
    with np.errstate(divide="ignore"):
        z = np.sqrt(np.mean(off) / 2.0 / np.mean(traced.sigma_mm[both] ** 2))
    return {
        "triangles": sum(len(mesh.faces) for mesh in meshes.values()),
        "table_rms_mm": float(np.sqrt(np.mean(off))),
        "error_over_sigma": float(z),
        "missing": float(1.0 - both.sum() / wanted.sum()),
        "shaded": part.shaded,
        "surfaces": len(model.surfaces),
        "processor_s": seconds,
        **_peers(part, rig, meshes, spots, at, both),
    }


def _peers(part: Any, rig: Any, meshes: Any, spots: Any, at: Any, asked: Any) -> dict[str, float]:
    """What SciPy's interpolant of the clean face's vertices, kernel r^5, gets: rms mm at the same pixels."""
    from cad_exports import reflected_spots
    from scipy.interpolate import RBFInterpolator
    from scipy.spatial.transform import Rotation

    turned_back = Rotation.from_rotvec(part.turned_rad).inv()
    x, y, z = turned_back.apply(np.unique(np.concatenate([mesh.vertices_mm for mesh in meshes.values()]), axis=0)).T
    lit = (np.abs(x) <= 60.0) & (np.abs(y) <= 45.0)
    lit[lit] = np.abs(part.surface.height(x[lit], y[lit]) - z[lit]) < _ON_FACE_MM
    if not part.file.endswith((".stl", ".obj")) or "spline" not in part.name or lit.sum() > _MOST_OF_PEER:
        return {}
    outside = RBFInterpolator(np.column_stack([x, y])[lit], z[lit], kernel="quintic", degree=2)
    p = at[asked]
    slopes = [(outside(p[:, :2] + h) - outside(p[:, :2] - h)) / (2.0 * _STEP_MM) for h in _STEP_MM * np.eye(2)]
    d = p - rig.projector.placement.position_mm
    off = reflected_spots(rig, d / np.linalg.norm(d, axis=-1, keepdims=True), p, slopes) - spots[asked]
    return {"scipy_rms_mm": float(np.sqrt(np.mean(np.sum(off**2, axis=-1))))}


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("cad_exports", measure))
