"""Light that is smeared beyond use: measured against a known blur, refused along lines, tolerated out of focus."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from small_rig import make_small_rig
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.cli import main
from rigwarp.decode import Decoded, Reason, decode
from rigwarp.errors import MeasurementError
from rigwarp.geometry import Array
from rigwarp.patterns import LevelFrame, PatternFrame, PatternSet, fast_set

SHAPE, RESOLUTION = (192, 256), (1280, 720)
PATTERNS = fast_set(RESOLUTION, 2.2, blur_px=7.0)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)


@dataclass(frozen=True, kw_only=True)
class LineSmeared(Scene):
    """Light that is blurred along u by `along_px` and along v by `blur_px`."""

    along_px: Array | float = 0.0

    def light(self, frame: PatternFrame, patterns: PatternSet) -> Array:
        across = isinstance(frame, LevelFrame) or frame.axis == "y"
        plain = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT)
        return replace(plain, blur_px=self.blur_px if across else self.along_px).light(frame, patterns)


def scanned(along_px: Array | float, across_px: Array | float) -> Decoded:
    scene = LineSmeared(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT, along_px=along_px, blur_px=across_px)
    photos = photograph(scene, PATTERNS, rng=np.random.default_rng(3), response=1.0)
    return decode(photos, PATTERNS)


def test_light_smeared_along_lines_is_refused_with_where_and_why() -> None:
    with pytest.raises(MeasurementError, match=r"camera pixels .* smeared over a radius of 7 pixels, along lines"):
        scanned(7.0, 1.0)


def test_a_picture_out_of_focus_is_decoded() -> None:
    """5 px all around, a radius of 7: blurred, but its middle is well defined."""
    decoded = scanned(5.0, 5.0)
    assert decoded.folded == ""
    error = (decoded.u_px - U)[decoded.valid]
    assert decoded.valid.mean() > 0.99
    assert abs(error.mean()) < 0.01  # px


def test_only_the_smeared_part_is_left_out() -> None:
    left = np.arange(SHAPE[1])[None, :] < 96
    decoded = scanned(np.where(left, 8.0, 1.0) * np.ones(SHAPE), 1.0)
    assert (decoded.reason[:, :88] == Reason.FOLDED).mean() > 0.9
    assert decoded.valid[:, 104:].mean() > 0.99
    assert "along lines" in decoded.folded


def test_a_rippled_mirror_is_refused_from_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2 um at 0.8 mm on the small rig, whose pixels are twice as large: its slopes of 16 mrad spread the light of a
    pixel over 15 mm of the table to either side, ten of these pixels; the beam is wider than the ripple, so nothing
    folds visibly."""
    root = make_small_rig(tmp_path / "rig")
    truth = (root / "virtual.toml").read_text(encoding="utf-8")
    ripple = "[[built.ripple]]\namplitude_um = 2.0\nperiod_mm = 0.8\nrings = true\n\n[projector]"
    (root / "virtual.toml").write_text(truth.replace("[projector]", ripple, 1), encoding="utf-8")
    assert main(["scan", str(root), "--no-look"]) == 5
    told = capsys.readouterr().err
    assert "camera pixels" in told
    assert "mapped pixel by pixel" in " ".join(told.split())
