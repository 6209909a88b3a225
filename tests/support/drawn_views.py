"""Sorting tables whose camera, wings, prints and displays are drawn from what rig.toml and rigwarp state of them."""

import re
from pathlib import Path

import cv2
import numpy as np
from map_truth import read_truth
from small_rig import make_small_rig

from rigwarp.camera import BoardView, calibrate_lens_from_views
from rigwarp.camera.boards.board import board_corners_mm, board_size_mm
from rigwarp.files import RigFolder, open_rig
from rigwarp.files.names import VIEW_LENS_FILE
from rigwarp.files.view_lens_file import write_view_lens
from rigwarp.geometry import Array
from rigwarp.jobs.bench.camera_record import judge_lens
from rigwarp.jobs.view.demo import view_alone
from rigwarp.jobs.view.lens import lens_of
from rigwarp.rig import Lens
from rigwarp.rig.model import View

RIGS = 24
RULE_MM = 0.1
"""1-sigma of a length by a steel rule, read by eye: so a sheet's print is known."""
PITCH_PERCENT = 0.05
"""1-sigma of a display's pitch."""
HEIGHT_MM = 0.05
"""1-sigma of how high a sheet's print, and the top of a display's glass, lie over the table."""
GLASS_MM = (0.5, 1.5)
CORNER_PX = 0.05
"""1-sigma of a board's corner in a photograph from which the view's lens is calibrated."""
_BOARDS = 14


def white(numbers: int, *, draw: int = 7) -> Array:
    """(RIGS, numbers) of which those of all rigs are white: they tell as much as those of a few hundred would."""
    raw = np.random.default_rng(draw).normal(size=(RIGS, numbers))
    return np.asarray(np.linalg.qr(raw - raw.mean(axis=0))[0] * np.sqrt(RIGS))


def drawn_view(
    root: Path,
    seed: int,
    *,
    share: float,
    alone: bool = False,
    ruler_mm: float | None = None,
    twelve: bool = False,
    whole_camera: bool = False,
) -> RigFolder:
    """A virtual rig; `alone` without its projector, its view's print measured over `ruler_mm` instead of all of it.

    `twelve`: four sides and both diagonals of the print were read twice each, instead of once along x and y.
    `whole_camera`: the measuring camera has all its pixels: with 0.4 of them it finds half of the sheet's corners, to
    0.09 px.
    """
    make_small_rig(root, "two-wings", share=share, whole_camera=whole_camera)
    if ruler_mm is not None:
        text = (root / "rig.toml").read_text(encoding="utf-8")
        text = text.replace("ruler_mm = [375.0, 225.0]", f"ruler_mm = [{ruler_mm}, {ruler_mm}]")
        (root / "rig.toml").write_text(text, encoding="utf-8")
    if alone:
        text = (root / "rig.toml").read_text(encoding="utf-8")
        (root / "rig.toml").write_text(view_alone(text), encoding="utf-8")
    folder = open_rig(root, without_projector=True)
    text = (root / "virtual.toml").read_text(encoding="utf-8")
    before, after = text[: text.index("[view]")], text[text.index("[room]") :]
    # of noise: its own photographs
    before = re.sub(r"^seed = \d+$", f"seed = {4100 + seed}", before, flags=re.MULTILINE)
    before = _stood_elsewhere(before, np.random.default_rng([seed, 3]))
    random = np.random.default_rng(seed)
    assert folder.rig.view is not None
    # which sheet there is: by it the camera is calibrated
    read = folder.rig.view.target if alone else folder.rig.target
    scale = 100.0 * RULE_MM / np.array(read.ruler_mm) * white(2)[(seed - 1) % RIGS]
    if twelve:
        scale = _read_often(root, scale, np.random.default_rng([seed, 12]))
    before += _view(folder, random, share)
    sheet, screen = HEIGHT_MM * white(2, draw=8)[(seed - 1) % RIGS]
    before += f"thickness_error_mm = {screen}\n\n"
    after = after.replace("scale_error_percent = [0.01, 0.01]", f"scale_error_percent = {scale.tolist()}")
    after = after.replace("thickness_mm = 0.1", f"thickness_mm = {max(0.1 + sheet, 0.0)}")
    (root / "virtual.toml").write_text(before + after, encoding="utf-8")
    return open_rig(root, without_projector=True)


def _stood_elsewhere(text: str, random: np.random.Generator) -> str:
    """virtual.toml with the measuring camera put up anew: at one place all rigs would share one error of corners."""
    for key, far, count in (("position_mm", 25.0, 3), ("aim_mm", 10.0, 3), ("roll_deg", 2.0, 1)):
        pattern = rf"^(\[camera\].*?^{key} = )(\[[^]]*\]|[-.\d]+)"
        found = re.search(pattern, text, flags=re.MULTILINE | re.DOTALL)
        assert found is not None, key
        moved = np.array(re.findall(r"-?[\d.]+", found[2]), float) + far * random.uniform(-1.0, 1.0, count)
        text = text[: found.start(2)] + str(moved.tolist() if count > 1 else moved[0]) + text[found.end(2) :]
    return text


def _read_often(root: Path, scale: Array, random: np.random.Generator) -> Array:
    """Lengths of the print in rig.toml, the first along x and y read as it was without; and how much it grew (%)."""
    folder = open_rig(root, without_projector=True)
    assert folder.rig.view is not None
    sheet = folder.rig.view.target
    nominal_mm = np.array(sheet.squares) * sheet.square_mm
    built_mm = nominal_mm * (1.0 + scale / 100.0)
    read = {}
    for name, length_mm in zip(
        ("along_x_mm", "along_y_mm", "diagonals_mm"), (*built_mm, np.hypot(*built_mm)), strict=True
    ):
        read[name] = length_mm + RULE_MM * random.normal(size=4)
    read["along_x_mm"][0], read["along_y_mm"][0] = nominal_mm
    lines = "\n".join(f"{name} = {lengths.tolist()}" for name, lengths in read.items())
    text = re.sub(r"^ruler_mm = .*$", lines, (root / "rig.toml").read_text(encoding="utf-8"), flags=re.MULTILINE)
    (root / "rig.toml").write_text(text, encoding="utf-8")
    view = open_rig(root, without_projector=True).rig.view
    assert view is not None
    return np.asarray(100.0 * (built_mm / nominal_mm / view.target.scale - 1.0))


def with_lens(folder: RigFolder, seed: int) -> RigFolder:
    """With the view's lens calibrated, from corners of the hand-held board that are off by their noise."""
    view = folder.rig.view
    assert view is not None
    write_view_lens(folder.root / VIEW_LENS_FILE, _calibrated(folder, seed), resolution=view.resolution)
    text = (folder.root / "rig.toml").read_text(encoding="utf-8")
    named = re.sub(r"^(\[view\].*)$", rf'\1\nlens = "{VIEW_LENS_FILE}"', text, count=1, flags=re.MULTILINE)
    (folder.root / "rig.toml").write_text(named, encoding="utf-8")
    return open_rig(folder.root)


def _calibrated(folder: RigFolder, seed: int) -> Lens:
    truth, view, random = read_truth(folder).view, folder.rig.view, np.random.default_rng(100 + seed)
    assert truth is not None
    assert view is not None
    (fx, fy), (cx, cy) = truth.camera.focal_px, truth.camera.principal_px
    matrix = np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])
    board, size_mm = board_corners_mm(view.target), np.array(board_size_mm(view.target))
    boards = []
    for number in range(_BOARDS):
        angle = 2.0 * np.pi * number / _BOARDS
        tilt = 0.55 * np.array([np.cos(angle), np.sin(angle), 0.0])
        turn = cv2.Rodrigues(tilt)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, random.normal()]))[0]
        away = fx / view.resolution[0] * size_mm[0] * random.uniform(1.3, 2.0)
        aside = 0.35 * away * np.array(view.resolution) / fx * [np.cos(2.4 * number), np.sin(2.4 * number)]
        place = np.append(aside, away) - turn @ np.append(size_mm / 2.0, 0.0)
        pixels = cv2.projectPoints(board, cv2.Rodrigues(turn)[0], place, matrix, truth.camera.distortion)[0]
        boards.append(_seen(pixels.reshape(-1, 2) + CORNER_PX * random.normal(size=(len(board), 2)), board, view))
    result = calibrate_lens_from_views(boards)
    return lens_of(result, judge_lens(result, len(board))[0])


def _seen(pixels_px: Array, board_mm: Array, view: View) -> BoardView:
    """The corners inside the picture."""
    inside = np.all((pixels_px > 4.0) & (pixels_px < np.array(view.resolution) - 5.0), axis=-1)
    return BoardView(
        resolution=view.resolution,
        ids=np.flatnonzero(inside),
        object_mm=board_mm[inside],
        image_px=pixels_px[inside],
        size_mm=board_size_mm(view.target),
        square_px=np.full(int(inside.sum()), 25.0),
        legacy=False,
        mirrored=False,
    )


def _view(folder: RigFolder, random: np.random.Generator, share: float) -> str:
    view = folder.rig.view
    assert view is not None
    width, height = view.resolution

    def draws(sigma: float, n: int = 3) -> list[float]:
        return (sigma * random.normal(size=n)).tolist()

    lines = [
        "[view]",
        f"position_error_mm = {draws(view.position_tolerance_mm)}",
        f"rotation_error_deg = {draws(float(np.degrees(view.rotation_tolerance_rad)))}",
        f"focal_px = {1280.0 * share * (1.0 + 0.004 * random.normal())}",
        f"principal_px = {[(width - 1) / 2 + draws(1.0, 1)[0], (height - 1) / 2 + draws(1.0, 1)[0]]}",
        "distortion = [-0.03, 0.008, 0.0003, -0.0002, 0.0]",
        "blur_px = 0.6",
        "aperture_diameter_mm = 1.6",
        "focus_mm = 520.0",
    ]
    for mirror in view.mirrors:
        lines += [
            "[[view.mirror]]",
            f"seat_shift_mm = {draws(mirror.position_tolerance_mm)}",
            f"seat_turn_deg = {draws(float(np.degrees(mirror.rotation_tolerance_rad)))}",
            f"dirt = {random.uniform(0.0, 0.06)}",
            "[[view.mirror.facet]]",
            "facet = 0",
            f"bend_radius_mm = {20000.0 / random.normal()}",
            f"bend_deg = {random.uniform(0.0, 180.0)}",
        ]
    lines += [
        "[view.screen]",
        f"glass_mm = {random.uniform(*GLASS_MM)}",
        f"pitch_percent = {draws(PITCH_PERCENT, 1)[0]}",
    ]
    return "\n".join(lines) + "\n"
