"""The pre-flight's verdict on scaling and on a moved camera, over random benches.

Forty virtual rigs with random projector curves, camera responses (sRGB, powers, linear), blur, room light and noise.
Each is shown as it is and by way of six random scalings (0.6 to 2.5 times, never within 1 % of 1 or 2; the picture
enlarged and cut off, or made smaller and larger again as by a panel with fewer pixels). Then sixty random nudges of a
camera that looks at the sheet, sizes such that places on the table go wrong by 0.01 to 5 mm.
"""

import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "support"), str(_TESTS / "benchmarks"), str(_TESTS / "capture")]

from faulty_bench import faulty  # noqa: E402
from run import alone  # noqa: E402
from small_rig import make_small_rig  # noqa: E402

from rigwarp.camera import CameraModel, board_corners_mm, board_to_table  # noqa: E402
from rigwarp.camera.boards.detection import BoardView  # noqa: E402
from rigwarp.camera.table.sheet_move import sheet_move  # noqa: E402
from rigwarp.capture.preflight.findings import about_pose  # noqa: E402
from rigwarp.capture.preflight.look import run_preflight  # noqa: E402
from rigwarp.devices import Bench  # noqa: E402
from rigwarp.files import open_rig  # noqa: E402
from rigwarp.geometry import rotation_from_vector  # noqa: E402
from rigwarp.rig import Rig  # noqa: E402
from rigwarp.simulation import VirtualRig, parse_truth  # noqa: E402
from rigwarp.simulation.truth import VirtualTruth  # noqa: E402

_BENCHES, _SCALINGS, _NUDGES = 40, 6, 60
_SMOOTH = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC, "area": cv2.INTER_AREA, "lanczos": cv2.INTER_LANCZOS4}
_NOISE_PX = 0.05
_TOLERANCE_MM = 0.5


def measure() -> dict[str, Any]:
    """False alarms and misses."""
    with tempfile.TemporaryDirectory() as folder:
        root = make_small_rig(Path(folder) / "rig", share=0.25)
        opened = open_rig(root)
        truth = parse_truth((root / "virtual.toml").read_text(encoding="utf-8"), opened.rig, source="virtual.toml")
    scaling = _scaling(opened.rig, truth)
    moving = _moving(opened.rig)
    return {
        "scaling": _plain(scaling),
        "moved_camera": _plain(moving),
        "held": {
            "no false alarm of scaling": scaling["false_alarms"] == 0,
            "19 of 20 smooth scalings noticed": scaling["smooth"]["missed"] <= 0.05 * scaling["smooth"]["shown"],
            "no camera that stood still is called moved": moving["false_alarms"] == 0,
            "no camera off by more than twice the tolerance is missed": moving["missed_beyond_twice"] == 0,
        },
    }


def _plain(figures: dict[str, Any]) -> dict[str, Any]:
    """Counts as numbers: the runner shows 0 and 1 as no and yes."""
    return {k: _plain(v) if isinstance(v, dict) else v if isinstance(v, str) else float(v) for k, v in figures.items()}


def _scaling(rig: Rig, truth: VirtualTruth) -> dict[str, Any]:
    rng = np.random.default_rng(90)
    found: dict[str, Any] = {"benches": _BENCHES, "false_alarms": 0, "not_judged": 0, "missed": ""}
    found |= {kind: {"shown": 0, "stopped": 0, "remarked": 0, "missed": 0} for kind in ("smooth", "repeated pixels")}
    found["light_of_one_to_one"] = {"least": 1.0, "most": 0.0}
    for _ in range(_BENCHES):
        virtual = VirtualRig(rig, _varied(truth, rng))
        bench = Bench(display=virtual.display, camera=virtual.camera)
        severity, light = _verdict(bench, rig, lambda frame: frame)
        found["false_alarms"] += severity == "stop"
        found["not_judged"] += light is None
        if light is not None:
            known = found["light_of_one_to_one"]
            known["least"], known["most"] = min(known["least"], light), max(known["most"], light)
        for _ in range(_SCALINGS):
            kind, words, path = _random_path(rng)
            severity, _ = _verdict(bench, rig, path)
            found[kind]["shown"] += 1
            found[kind][{"stop": "stopped", "remark": "remarked", "fine": "missed"}[severity]] += 1
            if severity == "fine":
                found["missed"] += f"{words}; "
    return found


def _varied(truth: VirtualTruth, rng: np.random.Generator) -> VirtualTruth:
    response = ["srgb", 1.0, float(rng.uniform(1.4, 2.6))][int(rng.integers(3))]
    projector = replace(truth.projector, transfer=float(rng.uniform(1.8, 2.6)), blur_px=float(rng.uniform(0.3, 2.0)))
    camera = replace(truth.camera, response=response, full_well_e=float(rng.uniform(4000, 20000)))
    room = replace(truth.room, ambient=float(rng.uniform(0.0, 0.3)), texture=float(rng.uniform(0.0, 0.03)))
    return replace(truth, seed=int(rng.integers(1000)), projector=projector, camera=camera, room=room)


def _random_path(rng: np.random.Generator) -> tuple[str, str, Callable[[np.ndarray], np.ndarray]]:
    """Kind of scaling, scaling in words, and what it does to a frame."""
    scale = 1.0
    # doubling pixel by pixel leaves a picture of larger pixels, about which nothing is wrong
    while abs(scale - 1.0) < 0.01 or abs(scale - 2.0) < 0.03:
        scale = float(np.exp(rng.uniform(np.log(0.6), np.log(2.5))))
    repeated = rng.random() < 0.2
    name = "nearest" if repeated else list(_SMOOTH)[int(rng.integers(len(_SMOOTH)))]
    how = cv2.INTER_NEAREST if repeated else _SMOOTH[name]
    panel = scale < 1.0 and rng.random() < 0.5

    def path(frame: np.ndarray) -> np.ndarray:
        height, width = frame.shape
        other = cv2.resize(frame, (round(width * scale), round(height * scale)), interpolation=how)
        if panel:
            return cv2.resize(other, (width, height), interpolation=cv2.INTER_NEAREST)
        shown = np.zeros_like(frame)
        rows, columns = min(height, other.shape[0]), min(width, other.shape[1])
        top, left = (height - rows) // 2, (width - columns) // 2
        from_top, from_left = (other.shape[0] - rows) // 2, (other.shape[1] - columns) // 2
        cut = other[from_top : from_top + rows, from_left : from_left + columns]
        shown[top : top + rows, left : left + columns] = cut
        return shown

    return ("repeated pixels" if repeated else "smooth"), f"{name} {scale:.2f}", path


def _verdict(bench: Bench, rig: Rig, path: Callable[[np.ndarray], np.ndarray]) -> tuple[str, float | None]:
    """Severity of the finding about scaling, and the light it is based on."""
    looked = run_preflight(
        faulty(bench, frame=path), rig, camera=None, sheet_height_mm=0.1, quick=False, advance=lambda: None
    )
    (finding,) = [f for f in looked.findings if f.what == "pixel for pixel"]
    light = min(f["light"] for f in finding.figures.values()) if finding.figures else None
    return finding.severity, light


def _moving(rig: Rig) -> dict[str, Any]:
    """Corners of the sheet projected by cameras that were nudged, with noise."""
    rng = np.random.default_rng(91)
    camera = CameraModel(
        resolution=(1920, 1080),
        matrix=np.array([[1880.0, 0, 968.0], [0, 1882.0, 531.0], [0, 0, 1]]),
        distortion=np.array([-0.08, 0.03, 0, 0, 0]),
        R_camera_from_table=rotation_from_vector(np.array([2.7, 0.2, 0.1])),
        t_camera_from_table_mm=np.array([20.0, 10.0, 930.0]),
    )
    still = [_nudged(rig, camera, np.zeros(6), rng) for _ in range(_NUDGES)]
    moved = []
    for _ in range(_NUDGES):
        size = float(np.exp(rng.uniform(np.log(0.01), np.log(5.0))))  # mm on the table, about
        way = rng.normal(size=6) * [1, 1, 1, 1 / 930, 1 / 930, 1 / 930]
        moved.append(_nudged(rig, camera, way * size, rng))
    beyond = [severity for severity, off in moved if off > 2 * _TOLERANCE_MM]
    return {
        "still": len(still),
        "false_alarms": sum(severity != "fine" for severity, _ in still),
        "moved": len(moved),
        "beyond_twice_the_tolerance": len(beyond),
        "missed_beyond_twice": sum(severity == "fine" for severity in beyond),
        "stopped_beyond_twice": sum(severity == "stop" for severity in beyond),
    }


def _nudged(rig: Rig, camera: CameraModel, nudge: np.ndarray, rng: np.random.Generator) -> tuple[str, float]:
    """Severity of the finding, and by how much places on the table really are wrong (mm)."""
    board = board_corners_mm(rig.target)
    turn = rotation_from_vector(nudge[3:])
    real = replace(
        camera,
        R_camera_from_table=turn @ camera.R_camera_from_table,
        t_camera_from_table_mm=turn @ camera.t_camera_from_table_mm + nudge[:3],
    )
    image = real.project(board_to_table(board, rig.target, height_mm=0.1))
    view = BoardView(
        resolution=camera.resolution,
        ids=np.arange(len(board)),
        object_mm=board,
        image_px=image + rng.normal(0.0, _NOISE_PX, image.shape),
        size_mm=(360.0, 252.0),
        square_px=np.full(len(board), 60.0),
        legacy=False,
        mirrored=False,
    )
    found = sheet_move(view, camera, rig.target, rig.content, sheet_height_mm=0.1, height_mm=0.0)
    angle = np.linspace(0, 2 * np.pi, 60)
    edge = np.array(rig.content.size_mm) / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    pixels = real.project(np.column_stack([edge, np.zeros(len(edge))]))
    off = np.linalg.norm(camera.to_plane(pixels, 0.0) - edge, axis=-1).max()
    return about_pose(view, found, tolerance_mm=_TOLERANCE_MM).severity, float(off)


if __name__ == "__main__":
    sys.exit(alone("preflight", measure))
