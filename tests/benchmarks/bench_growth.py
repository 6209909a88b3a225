"""How time and memory grow with the projector's pixels, the camera's, samples, a mesh's triangles, a mirror's zones.

    python tests/benchmarks/run.py growth [--cells "projector pixels/*" ...]

Every size runs in a process of its own, which makes its input first. Seconds are the processor's, memory is what the
peak adds to what stood there before. The exponent is the slope of the logarithms over the larger half of the sizes,
where what every run costs no longer counts; wanted is growth that is at most linear.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import contextlib
import ctypes
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fnmatch import fnmatch
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_rigs import built_convex, convex_rig, overhead_camera, panels_rig, scan_of
from folded_scan import FoldedScan, with_panels
from mesh_rig import mesh_rig
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoder
from rigwarp.files import open_rig, write_stl
from rigwarp.geometry import Array, TriangleMesh
from rigwarp.patterns import fast_set
from rigwarp.prewarp import build_prewarp
from rigwarp.rig import parse_rig
from rigwarp.table_map import fit_table_map, mounting_tolerances
from rigwarp.tracing import build_model, trace_map

_MOST_S, _MOST_GIB = 60.0, 3.0  # of a mirror of five million triangles
_MOST_EXPONENT = 1.1  # caches and sorting cost a tenth
_SAMPLES = 1_000_000
_TOLERANCES = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))
_PICTURES = {0.3: (640, 480), 0.9: (1280, 720), 2.1: (1920, 1080), 8.3: (3840, 2160)}
_PHOTOS = {1.0: (1152, 864), 2.1: (1920, 1080), 8.3: (3840, 2160), 24.0: (6000, 4000)}
_SAMPLES_MILLIONS = (0.25, 1.0, 4.0, 16.0)
_TRIANGLES_MILLIONS = (0.01, 0.1, 1.0, 5.0)
_ZONES = (1, 2, 3, 6)
_MB = 2**20


def measure(cells: Sequence[str] = ("*",)) -> dict[str, Any]:
    """Seconds and memory of each size, and the exponents."""
    figures: dict[str, Any] = {}
    for what, (work, sizes) in _AXES.items():
        asked = [size for size in sizes if any(fnmatch(f"{what}/{size:g}", pattern) for pattern in cells)]
        if asked:
            found = {f"{size:g}": _alone(work, size) for size in asked}
            figures[what] = {**found, **_exponents(asked, list(found.values()))}
            sys.stderr.write(f"  {what}: {figures[what]}\n")
    exponents = {what: figures[what].get("exponent of seconds", 0.0) for what in figures}
    memory = {what: figures[what].get("exponent of memory", 0.0) for what in figures}
    largest = [figures[what]["5"] for what in figures if "5" in figures[what] and what.startswith("triangles")]
    figures["held"] = {
        f"five million triangles in {_MOST_S:g} s and {_MOST_GIB:g} GiB": all(
            one["seconds"] <= _MOST_S and one["peak_mb"] <= 1024 * _MOST_GIB for one in largest
        ),
        "time at most linear": all(value <= _MOST_EXPONENT for value in exponents.values()),
        "memory at most linear": all(value <= _MOST_EXPONENT for value in memory.values()),
    }
    return figures


def _exponents(sizes: Sequence[float], found: Sequence[dict[str, float]]) -> dict[str, float]:
    if len(sizes) < 2:
        return {}
    upper = slice(len(sizes) // 2 - (len(sizes) < 4), None)
    logs = np.log(np.array(sizes, float)[upper])
    return {
        f"exponent of {name}": float(np.polyfit(logs, np.log([max(one[key], 1e-3) for one in found[upper]]), 1)[0])
        for name, key in (("seconds", "seconds"), ("memory", "peak_mb"))
    }


def _alone(work: Callable[[float], dict[str, float]], size: float) -> dict[str, float]:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(work, size).result()


def _timed(work: Callable[[], object]) -> dict[str, float]:
    """Processor seconds of `work`, those on the clock, and by how many MB it raises the resident size at its peak."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
    Path("/proc/self/clear_refs").write_text("5")  # resets the high-water mark
    before, start, wall = status_kb("VmRSS"), time.process_time(), time.perf_counter()
    kept = work()
    seconds, wall = time.process_time() - start, time.perf_counter() - wall
    del kept
    return {"seconds": seconds, "wall": wall, "peak_mb": (status_kb("VmHWM") - before) * 1024 / _MB}


def status_kb(key: str) -> int:
    """A figure of /proc/self/status, KiB."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key))


def _map_and_prewarp(resolution: tuple[int, int], count: int) -> dict[str, float]:
    rig = convex_rig()
    rig = replace(rig, projector=replace(rig.projector, resolution=resolution))
    samples = scan_of(built_convex(rig), rig, count=count)
    design, camera = build_model(rig, meshes={}), overhead_camera()

    def work() -> object:
        fit = fit_table_map(design, samples, camera, _TOLERANCES)
        return fit, build_prewarp(fit.table_map, rig.content, rig.projector.transfer, light=fit.light)

    return _timed(work)


def projector_pixels(millions: float) -> dict[str, float]:
    """Map and prewarp of as many samples for larger pictures."""
    return _map_and_prewarp(_PICTURES[millions], _SAMPLES)


def samples(millions: float) -> dict[str, float]:
    """Map and prewarp of more samples, as larger photographs bring them."""
    return _map_and_prewarp(_PICTURES[0.9], round(1e6 * millions))


def camera_pixels(millions: float) -> dict[str, float]:
    """Decoding, a photograph at a time."""
    width, height = _PHOTOS[millions]
    patterns = fast_set((1280, 720), "srgb")
    u, v, brightness, ambient = (np.float32(part) for part in smooth_scene((height, width), (1280, 720)))
    scene = Scene(u_px=u, v_px=v, brightness=brightness, ambient=ambient)
    rng = np.random.default_rng(4)
    photos = [
        photograph(scene, replace(patterns, frames=(frame,)), rng=rng)[0] for frame in patterns.frames
    ]  # all at once they would not fit beside their floats

    def work() -> object:
        decoder = Decoder(patterns)
        for photo in photos:
            decoder.add(photo)
        return decoder.finish()

    return _timed(work)


def _sheet(millions: float) -> TriangleMesh:
    """Part of a sphere in so many triangles, row by row."""
    n = round(np.sqrt(millions * 5e5)) + 1
    x, y = np.meshgrid(np.linspace(-60.0, 60.0, n), np.linspace(-45.0, 45.0, n), indexing="ij")
    height = np.sqrt(250.0**2 - x**2 - y**2) - 250.0
    corner = np.arange(n * n).reshape(n, n)
    a, b, c, d = (part.ravel() for part in (corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]))
    return TriangleMesh(
        vertices_mm=np.column_stack([x.ravel(), y.ravel(), height.ravel()]),
        faces=np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]),
    )


def _sheet_rig() -> str:
    return mesh_rig("m.stl", resolution=(640, 360), throw_ratio=1.2, lens_mm=-120.0, table_mm=-400.0)


def triangles(millions: float) -> dict[str, float]:
    """A mirror from a mesh: faces, surface and design map."""
    mesh, rig = _sheet(millions), parse_rig(_sheet_rig())
    return _timed(lambda: trace_map(build_model(rig, meshes={"m.stl": mesh})))


def shuffled_file(millions: float) -> dict[str, float]:
    """The same from a binary STL whose triangles stand in random order: read, welded, fitted, traced."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.toml").write_text(_sheet_rig(), encoding="utf-8")
        mesh = _sheet(millions)
        np.random.default_rng(5).shuffle(mesh.faces)
        write_stl(folder / "m.stl", mesh)
        del mesh

        def work() -> object:
            opened = open_rig(folder)
            return trace_map(build_model(opened.rig, meshes=opened.meshes))

        return _timed(work)


def zones(count: float) -> dict[str, float]:
    """The map of a mirror of so many strips, each lit by itself."""
    edges, turns = np.linspace(-120.0, 120.0, round(count) + 1), np.radians(2.0) * (np.arange(count) - (count - 1) / 2)
    panels = []
    for left, right, turn in zip(edges, edges[1:], turns, strict=False):
        rise = float(np.tan(turn) * (right - left) / 2.0)
        corners = [(left, -120.0, -rise), (right, -120.0, rise), (right, 120.0, rise), (left, 120.0, -rise)]
        panels.append([[float(x), y, z] for x, y, z in corners])
    rig, built = panels_rig(panels), with_panels(panels_rig(panels), panels)
    numbers = np.array([surface.zone for surface in built.surfaces])

    def shares(pixels_px: Array) -> Array:
        return (numbers[:, None] == built.trace(pixels_px).zone).astype(float)

    scanned = FoldedScan(model=built, rig=rig, shares=shares).samples(count=200_000)
    design, camera = build_model(rig, meshes={}), overhead_camera()
    return _timed(lambda: fit_table_map(design, scanned, camera, _TOLERANCES))


_AXES: dict[str, tuple[Callable[[float], dict[str, float]], Sequence[float]]] = {
    "projector pixels": (projector_pixels, tuple(_PICTURES)),
    "camera pixels": (camera_pixels, tuple(_PHOTOS)),
    "samples": (samples, _SAMPLES_MILLIONS),
    "triangles": (triangles, _TRIANGLES_MILLIONS),
    "triangles of a file": (shuffled_file, _TRIANGLES_MILLIONS[1:]),
    "zones": (zones, _ZONES),
}


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("growth", measure))
