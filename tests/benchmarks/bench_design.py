"""A full 1280 x 720 design map from a CAD export of 100,000 triangles, beside a mesh tracer with interpolated normals.

The mirror is a concave sphere, R = 100 mm, irregularly tessellated, stored as a binary STL; the truth on the table is
the closed form of a ray and a sphere. Each way runs several times in a fresh process, in turns; its best time counts.
The mesh tracer is trimesh with embreex, its vertex normals interpolated over the triangle that is hit.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from mesh_rig import mesh_rig

_RADIUS_MM, _LENS_MM, _TABLE_MM = 100.0, -120.0, -400.0
_HALF_MM = (42.0, 30.0)
_EDGE_MM = 0.32  # 100,000 triangles
_RESOLUTION, _THROW = (1280, 720), 1.5
_TURNS = 5
_ERROR_RATIO, _TIME_RATIO, _MEMORY_MIB = 100.0, 1.5, 1024.0  # wanted: at least, at most, at most


def measure() -> dict[str, Any]:
    """Times in s, errors on the table in mm, peak memory in MiB, of both ways."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        triangles = _make_rig(folder)
        truth = _truth_mm()
        runs: dict[str, list[dict[str, Any]]] = {way: [] for way in _WAYS}
        for _ in range(_TURNS):
            for way in _WAYS:
                runs[way].append(_in_own_process(way, folder))
        best = {way: min(found, key=lambda run: run["seconds"]["all"]) for way, found in runs.items()}
        for way, found in best.items():
            found["table_error_mm"] = _errors(np.load(folder / f"{way}.npy"), truth)
    ours, theirs = best["rigwarp"], best["mesh_tracer"]
    error_ratio = theirs["table_error_mm"]["rms"] / ours["table_error_mm"]["rms"]
    time_ratio = ours["seconds"]["all"] / theirs["seconds"]["all"]
    return {
        "triangles": triangles,
        "pixels": _RESOLUTION[0] * _RESOLUTION[1],
        **best,
        "error_ratio": error_ratio,
        "time_ratio": time_ratio,
        "held": {
            f"error at least {_ERROR_RATIO:g} times smaller": error_ratio >= _ERROR_RATIO,
            f"at most {_TIME_RATIO:g} times the time": time_ratio <= _TIME_RATIO,
            f"at most {_MEMORY_MIB:g} MiB": ours["peak_mib"] <= _MEMORY_MIB,
        },
    }


def _make_rig(folder: Path) -> int:
    from scipy.spatial import Delaunay

    from rigwarp.files import write_stl
    from rigwarp.geometry import TriangleMesh

    rng = np.random.default_rng(3)
    counts = [int(2 * half / _EDGE_MM) for half in _HALF_MM]
    x, y = np.meshgrid(*(np.linspace(-half, half, n) for half, n in zip(_HALF_MM, counts, strict=True)))
    jitter = rng.uniform(-0.35, 0.35, (2, *x.shape)) * _EDGE_MM
    jitter[:, [0, -1], :] = jitter[:, :, [0, -1]] = 0.0
    points = np.stack([(x + jitter[0]).ravel(), (y + jitter[1]).ravel()], axis=-1)
    height = np.sqrt(_RADIUS_MM**2 - np.sum(points**2, axis=1)) - _RADIUS_MM
    mesh = TriangleMesh(
        vertices_mm=np.column_stack([points, height]), faces=Delaunay(points).simplices.astype(np.int64)
    )
    rig = mesh_rig("mirror.stl", resolution=_RESOLUTION, throw_ratio=_THROW, lens_mm=_LENS_MM, table_mm=_TABLE_MM)
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    write_stl(folder / "mirror.stl", mesh)
    return len(mesh.faces)


def _rays() -> Any:
    u, v = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in _RESOLUTION))
    d = np.stack([u.ravel(), v.ravel(), np.full(u.size, _THROW * _RESOLUTION[0])], axis=-1)
    return d / np.linalg.norm(d, axis=-1, keepdims=True)


def _truth_mm() -> Any:
    """(N, 2) closed form: ray and sphere around (0, 0, -R), reflected down to the table."""
    d = _rays()
    from_centre = np.array([0.0, 0.0, _LENS_MM + _RADIUS_MM])
    along = d @ from_centre
    p = from_centre + (-along + np.sqrt(along**2 - from_centre @ from_centre + _RADIUS_MM**2))[:, None] * d
    n = p / _RADIUS_MM
    out = d - 2.0 * np.sum(d * n, axis=-1, keepdims=True) * n
    p[:, 2] -= _RADIUS_MM
    reach = (_TABLE_MM - p[:, 2]) / out[:, 2]
    inside = (np.abs(p[:, :2]) < np.array(_HALF_MM)).all(axis=1) & (reach > 0)
    return np.where(inside[:, None], p[:, :2] + reach[:, None] * out[:, :2], np.nan)


def _errors(found: Any, truth: Any) -> dict[str, float]:
    off = np.linalg.norm(found - truth, axis=-1)
    known = np.isfinite(off)
    return {
        "rms": float(np.sqrt(np.mean(off[known] ** 2))),
        "p95": float(np.percentile(off[known], 95)),
        "max": float(off[known].max()),
        "answered_share": float(known.sum() / np.isfinite(truth[:, 0]).sum()),
    }


def _rigwarp(folder: Path) -> tuple[Any, dict[str, float]]:
    from rigwarp.files import open_rig
    from rigwarp.tracing import build_model, trace_map

    start = time.perf_counter()
    rig_folder = open_rig(folder)
    meshes = rig_folder.meshes
    loaded = time.perf_counter()
    model = build_model(rig_folder.rig, meshes=meshes)
    fitted = time.perf_counter()
    table = trace_map(model).table_mm
    traced = time.perf_counter()
    return table, {"load": loaded - start, "weld and fit": fitted - loaded, "trace": traced - fitted}


def _mesh_tracer(folder: Path) -> tuple[Any, dict[str, float]]:
    import trimesh

    start = time.perf_counter()
    mesh = trimesh.load(folder / "mirror.stl", force="mesh")
    loaded = time.perf_counter()
    d = _rays()
    at, ray, face = mesh.ray.intersects_location(np.broadcast_to([0.0, 0.0, _LENS_MM], d.shape), d, multiple_hits=False)
    shares = trimesh.triangles.points_to_barycentric(mesh.triangles[face], at)
    n = np.einsum("nk,nkj->nj", shares, mesh.vertex_normals[mesh.faces[face]])
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    d = d[ray]
    out = d - 2.0 * np.sum(d * n, axis=-1, keepdims=True) * n
    table = np.full((_RESOLUTION[0] * _RESOLUTION[1], 2), np.nan)
    table[ray] = at[:, :2] + ((_TABLE_MM - at[:, 2]) / out[:, 2])[:, None] * out[:, :2]
    return table, {"load": loaded - start, "trace": time.perf_counter() - loaded}


_WAYS = {"rigwarp": _rigwarp, "mesh_tracer": _mesh_tracer}


def _in_own_process(way: str, folder: Path) -> dict[str, Any]:
    run = [sys.executable, __file__, "--way", way, str(folder)]
    return json.loads(subprocess.run(run, check=True, capture_output=True, text=True).stdout)


def _one_way(way: str, folder: Path) -> dict[str, Any]:
    import trimesh  # noqa: F401  # importing either library is not what is measured

    import rigwarp.files
    import rigwarp.tracing  # noqa: F401

    start = time.process_time()
    table, seconds = _WAYS[way](folder)
    cpu_s = time.process_time() - start
    np.save(folder / f"{way}.npy", table.reshape(-1, 2))
    return {"seconds": {**seconds, "all": sum(seconds.values()), "processor": cpu_s}, "peak_mib": _peak_mib()}


def _peak_mib() -> float:
    """Largest resident memory of this process; the imported libraries are part of it."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(line.split()[1]) / 1024.0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0**2  # bytes where there is no /proc


if __name__ == "__main__":
    if sys.argv[1:2] == ["--way"]:
        sys.stdout.write(json.dumps(_one_way(sys.argv[2], Path(sys.argv[3]))))
        sys.exit()
    from run import alone

    sys.exit(alone("design", measure))
