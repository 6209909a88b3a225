"""Exports of two outside CAD kernels, read as files and traced, against exact rays.

Paraboloids, spheres, cylinders and waves are closed forms; of B-spline solids the kernel's own evaluation of its face
is the truth. Needs the packages of requirements.txt. DEVELOPERS.md says what was changed after a first run.
"""

import sys
import tempfile
import time
from fnmatch import fnmatch
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from mesh_rig import mesh_rig
from run import spread

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

_TOLERANCE_MM, _HONEST = 0.005, 1.3
_MOST_MISSING = 0.002  # of the clean face, where nothing shades it
_RESOLUTION = (96, 54)
_LENS_MM = -140.0  # the picture is 117 mm wide: all but the rim


def measure(cells: list[str] | None = None, jobs: int = 1) -> dict[str, Any]:
    """Error on the table in mm rms, error over sigma, what is missing, and processor time of each export."""
    from cad_parts import parts

    every = [f"{part.kernel}: {part.name} ({part.file.rpartition('.')[2]})" for part in parts()]
    names = [name for name in every if not cells or any(fnmatch(name, pattern) for pattern in cells)]
    # a part is a kernel's own object, which no process can hand to another: each draws it anew
    found = dict(zip(names, spread(_drawn, [every.index(name) for name in names], jobs), strict=True))
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


def _drawn(number: int) -> dict[str, Any]:
    from cad_parts import parts

    return _judged(next(islice(parts(), number, None)))


def _judged(part: Any) -> dict[str, Any]:
    from cad_exports import exact_spots

    from rigwarp.errors import RigwarpError
    from rigwarp.files import open_rig
    from rigwarp.tracing import build_model, trace_map

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig = mesh_rig(part.file, resolution=_RESOLUTION, throw_ratio=1.2, lens_mm=_LENS_MM, table_mm=-600)
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
    }


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("cad_exports", measure))
