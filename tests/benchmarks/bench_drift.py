"""Injected drift on a small virtual rig: is it named rightly, and does a re-registration bring the picture back?

40 seeded trials each of: camera nudged by 2 mm, mirror tilted by 0.2 degrees, projector shifted by 1 mm, in random
directions, lamp at 80 %; and of nothing at all. RIGWARP_DRIFT_TRIALS changes the number.
"""

import contextlib
import io
import os
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # it would stand on stdout, beside the JSON object

from small_rig import make_small_rig  # noqa: E402

from rigwarp.camera import CameraModel  # noqa: E402
from rigwarp.cli import main  # noqa: E402
from rigwarp.devices import Bench, open_virtual  # noqa: E402
from rigwarp.files import RigFolder, current_result, open_rig, read_map, read_map_light  # noqa: E402
from rigwarp.geometry import Array, PixelMap, Placement  # noqa: E402
from rigwarp.jobs.checks.drift import corrected_map  # noqa: E402
from rigwarp.jobs.checks.quick_look import BenchLooker, light_model_of, prewarp_of, quick_frames, read_state  # noqa: E402
from rigwarp.prewarp import build_prewarp  # noqa: E402
from rigwarp.simulation import VirtualRig  # noqa: E402
from rigwarp.simulation.truth import VirtualTruth  # noqa: E402
from rigwarp.table_map import invert  # noqa: E402
from rigwarp.verification import judge_drift, plan_dots, quick_plan  # noqa: E402

TRIALS = int(os.environ.get("RIGWARP_DRIFT_TRIALS", "40"))
NUDGE_MM, TILT_DEG, SHIFT_MM, LAMP = 2.0, 0.2, 1.0, 0.8
WANTED = {"nothing": (), "camera": ("camera",), "mirror": ("mirror",), "projector": ("projector",),
          "lamp": ("light level",)}  # fmt: skip
_P95_MM, _SECONDS, _SHARE = 0.4, 10.0, 0.95


def drifted(truth: VirtualTruth, kind: str, random: np.random.Generator) -> VirtualTruth:
    """The rig after something happened to it."""
    direction = random.normal(size=3)
    direction /= np.linalg.norm(direction)
    if kind == "camera":
        seat = truth.camera.placement
        moved = Placement(position_mm=seat.position_mm + NUDGE_MM * direction, rotation=seat.rotation)
        return replace(truth, camera=replace(truth.camera, placement=moved))
    if kind == "mirror":
        # a tilt changes where the mirror looks; a spin about its own axis would not be one
        axis = np.cross(direction, [0.0, 0.0, 1.0])
        turn = truth.built.seat_turn_rad + np.radians(TILT_DEG) * axis / np.linalg.norm(axis)
        return replace(truth, built=replace(truth.built, seat_turn_rad=turn))
    if kind == "projector":
        position = truth.projector.position_error_mm + SHIFT_MM * direction
        return replace(truth, projector=replace(truth.projector, position_error_mm=position))
    if kind == "lamp":
        return replace(truth, projector=replace(truth.projector, lamp=LAMP))
    return truth


def calibrated(root: Path) -> RigFolder:
    """A small rig, its projector a pinhole to save time, calibrated and with a stored look."""
    make_small_rig(root)
    text = (root / "virtual.toml").read_text(encoding="utf-8")
    (root / "virtual.toml").write_text(text.replace("pupil_samples = 7", "pupil_samples = 1"), encoding="utf-8")
    for command in (["camera", str(root)], ["calibrate", str(root)]):
        if main([*command, "--json"]) != 0:
            raise RuntimeError(f"rigwarp {command[0]} failed on the small rig")
    return open_rig(root)


def true_error_mm(folder: RigFolder, rig: VirtualRig, table_map: PixelMap, camera: CameraModel) -> Array:
    """(n, 2) how far dots are off: as they land, and as the camera that is thought to see them would tell.

    Judged by the virtual rig's truth; the two are one figure because either spoils a verification.
    """
    wanted = plan_dots(folder.rig.content).table_mm
    pixels = invert(table_map, wanted).pixels_px[0]
    truth = rig.true_map()
    at = [pixels[:, 1], pixels[:, 0]]
    landed = np.stack([map_coordinates(part, at, order=1) for part in (truth.x_mm, truth.y_mm)], axis=-1)
    eye = rig.true_camera()
    real = CameraModel(
        resolution=camera.resolution,
        matrix=np.array(eye["matrix"]),
        distortion=np.array(eye["distortion"]),
        R_camera_from_table=np.array(eye["R_camera_from_table"]),
        t_camera_from_table_mm=np.array(eye["t_camera_from_table_mm"]),
    )
    height_mm = folder.rig.table.height_mm
    seen = real.project(np.column_stack([landed, np.full(len(landed), height_mm)]))
    return camera.to_plane(seen, height_mm) - wanted


def p95(vectors_mm: Array) -> float:
    """95th percentile of the lengths that are known."""
    return float(np.nanpercentile(np.linalg.norm(vectors_mm, axis=1), 95.0))


def measure() -> dict[str, Any]:
    """Run the trials."""
    with tempfile.TemporaryDirectory() as place:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            folder = calibrated(Path(place) / "rig")
        return trials(folder, TRIALS)


def trials(folder: RigFolder, count: int) -> dict[str, Any]:
    """So many trials of each kind on a calibrated rig."""
    result = current_result(folder.root)
    state, plan = read_state(folder, result), quick_plan(folder.rig.content)
    table_map, _ = read_map(result / "map.npz")
    frames, base = quick_frames(folder, prewarp_of(result)), open_virtual(folder)
    figures: dict[str, Any] = {"trials": count}
    held: dict[str, bool] = {}
    for number, (kind, wanted) in enumerate(WANTED.items()):
        random = np.random.default_rng([7, number])
        named, before, after, seconds = Counter[str](), [], [], []
        for _ in range(count):
            rig = base.changed(drifted(base.truth, kind, random))
            photos = BenchLooker(bench=Bench(display=rig.display, camera=rig.camera)).look(frames)
            start = time.process_time()
            model = light_model_of(folder, result, state)
            judged = judge_drift(photos, state, plan, model, folder.rig.table)
            corrected = table_map
            if judged.advice == "re-register":
                corrected, _ = corrected_map(folder.rig, table_map, model, judged)
                light = read_map_light(result / "map.npz")
                build_prewarp(corrected, folder.rig.content, folder.rig.projector.transfer, light=light)
            seconds.append(time.process_time() - start)
            named[" + ".join(judged.findings) or "nothing"] += 1
            before.append(p95(true_error_mm(folder, rig, table_map, state.camera)))
            after.append(p95(true_error_mm(folder, rig, corrected, judged.camera_now)))
        right = named[" + ".join(wanted) or "nothing"] / count
        figures[kind] = {
            "named": dict(named),
            "right": right,
            "p95_before_mm": float(np.median(before)),
            "p95_after_mm": float(np.median(after)),
            "p95_after_worst_mm": max(after),
            "cpu_s_worst": max(seconds),
        }
        held[f"{kind}: named rightly in {_SHARE:.0%}"] = right >= _SHARE
        held[f"{kind}: P95 then under {_P95_MM} mm"] = max(after) < _P95_MM
        held[f"{kind}: under {_SECONDS:.0f} s of compute"] = max(seconds) < _SECONDS
    return {**figures, "held": held}


if __name__ == "__main__":
    from run import alone

    raise SystemExit(alone("drift", measure))
