"""From the last photograph to corrected light: a scan's decoding, its map and prewarp, and then the mirror's form.

    taskset -c 0,1 python tests/benchmarks/run.py corrected_light [--cells "1280x720/*" ...]

The tests' convex rig, photographed without the virtual rig, in a rig folder: what is timed are the jobs' own steps with
all their files. The photographs before the last have gone to the decoder while the scan ran, six a second at most, as
in a live one; what that costs each of them is told as well. Every size runs in a process of its own; memory is what the
peak adds to what stood there before the first photograph, the photographs included. Seconds are those on the clock;
beside them stand those of the processor, since a machine that is busy with other things makes the clock's mean nothing.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fnmatch import fnmatch
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_growth import status_kb
from bench_rigs import CONVEX_TEXT, built_convex, overhead_camera
from synthetic_scan import Scene, photograph

from rigwarp.camera import CameraModel
from rigwarp.decode import Decoder
from rigwarp.files import open_rig, write_camera, write_decoded
from rigwarp.files.names import CAMERA_FILE, DECODED_FILE, RIG_FILE, SCANS
from rigwarp.files.runs import new_run
from rigwarp.geometry import Array
from rigwarp.jobs.design import design_map
from rigwarp.jobs.freed_memory import share_one_heap
from rigwarp.jobs.progress import SILENT
from rigwarp.jobs.results.design_ahead import DesignAhead
from rigwarp.jobs.results.fit import fit_scans
from rigwarp.patterns import PatternSet, fast_set
from rigwarp.rig import Rig, inside_table, parse_rig
from rigwarp.table_map import invert
from rigwarp.tracing import trace_map
from rigwarp.tracing.scan_grid import GridSpread

_CASES = {  # projector, camera; wanted seconds to the warp, GiB
    "640x360/0.5": ((640, 360), (960, 540), 3.0, 2.5),
    "1280x720/2": ((1280, 720), (1920, 1080), 3.0, 2.5),
    "1920x1080/2": ((1920, 1080), (1920, 1080), 4.0, 2.5),
    "3840x2160/24": ((3840, 2160), (6000, 4000), 12.0, 2.5),
}
_FORM_S = 10.0  # after the warp
_PACE_S = 1.0 / 6.0  # of the usual scan, which shows six pictures a second at most; --fast-patterns is quicker
_NODE_PX = 8  # camera pixels between those whose projector position is worked out
_BRIGHT, _AMBIENT = 0.75, 0.02
_NOISE = (2e-5, 4e-4)  # a webcam's: with hardly any, rounding is all that is left, and it is no noise


def measure(cells: Sequence[str] = ("*",)) -> dict[str, Any]:
    """Seconds and memory of each size."""
    figures: dict[str, Any] = {}
    held = {}
    for case, (_, _, wanted_s, wanted_gib) in _CASES.items():
        if not any(fnmatch(case, pattern) for pattern in cells):
            continue
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            found = figures[case] = pool.submit(_one, case).result()
        sys.stderr.write(f"  {case}: {found}\n")
        held[f"{case}: warp in {wanted_s:g} s"] = found["warp_s"] <= wanted_s
        held[f"{case}: {wanted_gib:g} GiB"] = found["peak_gib"] <= wanted_gib
        held[f"{case}: mirror's form {_FORM_S:g} s after it"] = found["form_s"] <= _FORM_S
    return {**figures, "held": held}


def _one(case: str) -> dict[str, float]:
    projector, camera_size, _, _ = _CASES[case]
    rig = parse_rig(CONVEX_TEXT)
    rig = replace(rig, projector=replace(rig.projector, resolution=projector))
    camera = _larger(overhead_camera(), camera_size)
    patterns = fast_set(projector, rig.projector.transfer)
    share_one_heap()  # as calibrate and fit do
    before = status_kb("VmRSS")
    photos = _photographs(rig, camera, patterns)
    Path("/proc/self/clear_refs").write_text("5")  # resets the high-water mark
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        text = CONVEX_TEXT.replace("[640, 360]", str(list(projector))).replace("[960, 540]", str(list(camera_size)))
        (root / RIG_FILE).write_text(text, encoding="utf-8")
        write_camera(root / CAMERA_FILE, camera)
        folder = open_rig(root)
        design_map(folder)  # kept in design.npz, as `trace` and `scan` do
        design = DesignAhead(folder)  # as `calibrate` does
        with new_run(root / SCANS, "scan", folder) as run:
            decoder = Decoder(patterns)
            start = time.process_time()
            for photo in photos[:-1]:
                decoder.add(photo)
                time.sleep(_PACE_S)
            each = (time.process_time() - start) / (len(photos) - 1)
            clock, processor = time.perf_counter(), time.process_time()
            decoder.add(photos[-1])
            decoded = decoder.finish()
            write_decoded(run / DECODED_FILE, decoded)
        decode_s = time.perf_counter() - clock
        decode_cpu = time.process_time() - processor
        del decoder, photos
        at_warp: list[float] = []

        def shown(made: Any) -> Any:
            at_warp.append(time.process_time() - processor)
            return made.verdict

        made = fit_scans(SILENT, folder, [run], decoded=[decoded], design=design, accept=True, show=shown)
        return {
            "photograph_cpu_s": each,
            "decode_s": decode_s,
            "decode_cpu_s": decode_cpu,
            "map_s": made.seconds["fit"],
            "prewarp_s": made.seconds["prewarp"],
            "warp_s": decode_s + made.ready_s["warp"],
            "warp_cpu_s": at_warp[0],
            "form_s": made.ready_s["mirror"] - made.ready_s["warp"],
            "form_cpu_s": time.process_time() - processor - at_warp[0],
            "peak_gib": (status_kb("VmHWM") - before) / 2**20,
        }


def _larger(camera: CameraModel, resolution: tuple[int, int]) -> CameraModel:
    """The same view by another sensor."""
    scale = min(n / old for n, old in zip(resolution, camera.resolution, strict=True))
    matrix = np.diag([scale, scale, 1.0]) @ camera.matrix
    matrix[:2, 2] = (np.array(resolution) - 1.0) / 2.0
    return replace(camera, resolution=resolution, matrix=matrix)


def _photographs(rig: Rig, camera: CameraModel, patterns: PatternSet) -> list[NDArray[np.uint8]]:
    u_px, v_px = _positions(rig, camera)
    lit = np.isfinite(u_px) & np.isfinite(v_px)
    u_px, v_px = (np.where(lit, p, 0.0).astype(np.float32) for p in (u_px, v_px))
    row, column = (np.linspace(-0.5, 0.5, n, dtype=np.float32) for n in u_px.shape)
    brightness = np.where(lit, _BRIGHT * (1.0 - 0.9 * (row[:, None] ** 2 + column**2)), 0.0).astype(np.float32)
    rng, photos = np.random.default_rng(7), []
    for frame in patterns.frames:  # all at once they would not fit beside their floats
        parts = []
        for rows in np.array_split(np.arange(len(u_px)), max(1, u_px.size // 2_000_000)):
            scene = Scene(u_px=u_px[rows], v_px=v_px[rows], brightness=brightness[rows], ambient=np.float32(_AMBIENT))
            parts.append(photograph(scene, replace(patterns, frames=(frame,)), rng=rng, noise=_NOISE)[0])
        photos.append(np.concatenate(parts))
    return photos


def _positions(rig: Rig, camera: CameraModel) -> tuple[Array, Array]:
    """(H, W) u and v that each camera pixel sees, NaN where none: of every eighth, and interpolated.

    To the fifth order: a linear one would leave a lattice of its own, which the map would follow as a ripple.
    """
    spread = GridSpread(camera.resolution, step_px=_NODE_PX)
    table_mm = camera.to_plane(spread.nodes_px.reshape(-1, 2), rig.table.height_mm)
    found = invert(trace_map(built_convex(rig)), table_mm).pixels_px[0]
    found[~inside_table(rig.table, table_mm)] = np.nan
    u_px, v_px = (spread.dense(part).reshape(camera.resolution[::-1]) for part in found.T)
    return u_px, v_px


if __name__ == "__main__":
    from run import alone

    sys.exit(alone("corrected_light", measure))
