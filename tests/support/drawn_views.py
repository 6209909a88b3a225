"""Sorting tables whose camera, wings, prints and displays are drawn from what rig.toml and rigwarp state of them."""

import re
from pathlib import Path

import numpy as np
from map_truth import read_truth
from small_rig import make_small_rig

from rigwarp.files import RigFolder, open_rig
from rigwarp.files.names import VIEW_LENS_FILE
from rigwarp.files.view_lens_file import write_view_lens
from rigwarp.geometry import Array
from rigwarp.jobs.view.demo import view_alone
from rigwarp.rig import Lens

RIGS = 24
RULE_MM = 0.1
"""1-sigma of a length by a steel rule, read by eye: so a sheet's print is known."""
PITCH_PERCENT = 0.05
"""1-sigma of a display's pitch."""
HEIGHT_MM = 0.05
"""1-sigma of how high a sheet's print, and the top of a display's glass, lie over the table."""
GLASS_MM = (0.5, 1.5)
LENS_PX = 0.03
"""What a lens that is known exactly says of itself: a calibration is no better."""


def white(numbers: int, *, draw: int = 7) -> Array:
    """(RIGS, numbers) of which those of all rigs are white: they tell as much as those of a few hundred would."""
    raw = np.random.default_rng(draw).normal(size=(RIGS, numbers))
    return np.asarray(np.linalg.qr(raw - raw.mean(axis=0))[0] * np.sqrt(RIGS))


def drawn_view(root: Path, seed: int, *, share: float, alone: bool = False, ruler_mm: float | None = None) -> RigFolder:
    """A virtual rig; `alone` without its projector, its view's print measured over `ruler_mm` instead of all of it."""
    make_small_rig(root, "two-wings", share=share)
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
    before = re.sub(
        r"^seed = \d+$", f"seed = {4100 + seed}", before, flags=re.MULTILINE
    )  # of noise: its own photographs
    random = np.random.default_rng(seed)
    assert folder.rig.view is not None
    scale = 100.0 * RULE_MM / np.array(folder.rig.view.target.ruler_mm) * white(2)[(seed - 1) % RIGS]
    before += _view(folder, random, share)
    sheet, screen = HEIGHT_MM * white(2, draw=8)[(seed - 1) % RIGS]
    before += f"thickness_error_mm = {screen}\n\n"
    after = after.replace("scale_error_percent = [0.01, 0.01]", f"scale_error_percent = {scale.tolist()}")
    after = after.replace("thickness_mm = 0.1", f"thickness_mm = {max(0.1 + sheet, 0.0)}")
    (root / "virtual.toml").write_text(before + after, encoding="utf-8")
    return open_rig(root, without_projector=True)


def with_lens(folder: RigFolder) -> RigFolder:
    """With the view's lens calibrated: as it is, to within what a calibration says of itself."""
    truth, view = read_truth(folder).view, folder.rig.view
    assert truth is not None
    assert view is not None
    (fx, fy), (cx, cy) = truth.camera.focal_px, truth.camera.principal_px
    matrix = np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])
    lens = Lens(matrix=matrix, distortion=truth.camera.distortion, sigma_px=LENS_PX)
    write_view_lens(folder.root / VIEW_LENS_FILE, lens, resolution=view.resolution)
    text = (folder.root / "rig.toml").read_text(encoding="utf-8")
    named = re.sub(r"^(\[view\].*)$", rf'\1\nlens = "{VIEW_LENS_FILE}"', text, count=1, flags=re.MULTILINE)
    (folder.root / "rig.toml").write_text(named, encoding="utf-8")
    return open_rig(folder.root)


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
