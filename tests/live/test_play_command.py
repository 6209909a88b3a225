"""`rigwarp play`, run as a user would."""

import json
import subprocess
import sys

import cv2
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.files import open_rig, read_colour
from rigwarp.live import CpuRenderer
from rigwarp.prewarp import build_prewarp
from rigwarp.tracing import build_model, trace_map

RIG = """
format = "rigwarp rig"
version = 1
name = "small convex table"

[projector]
resolution = [320, 180]
throw_ratio = 1.2
lens_shift = [0.0, 0.0]
position_mm = [0.0, 0.0, 310.0]
rotation_deg = [0.0, 0.0, 0.0]
position_tolerance_mm = 3.0
rotation_tolerance_deg = 1.0
gamma = 2.2

[mirror]
kind = "conic"
radius_mm = 100.0
conic_constant = 0.0
aperture_mm = [0.0, 60.0]
position_mm = [0, 0, 400]
rotation_deg = [0, 0, 0]
position_tolerance_mm = 1.0
rotation_tolerance_deg = 0.5

[table]
shape = "circle"
diameter_mm = 300
height_mm = 0.0

[content]
shape = "circle"
diameter_mm = 280
centre_mm = [0, 0]
rotation_deg = 0
pixels = [400, 400]

[camera]
resolution = [1920, 1080]
device = 0

[target]
kind = "charuco"
squares = [10, 7]
square_mm = 25.0
marker_mm = 18.0
dictionary = "DICT_5X5_250"
scale = [1.0, 1.0]
centre_mm = [0, 0]
rotation_deg = 0

[tolerance]
content_p95_mm = 0.5
figure_rms_um = 50
"""


@pytest.fixture
def rig(tmp_path):
    folder = tmp_path / "rig"
    folder.mkdir()
    (folder / "rig.toml").write_text(RIG)
    picture = np.random.default_rng(2).integers(0, 256, (300, 400, 3), dtype=np.uint8)
    cv2.imwrite(str(tmp_path / "picture.png"), picture)
    return folder


def test_still_of_the_design_is_the_renderers_frame(rig, tmp_path, capsys):
    out = tmp_path / "frame.png"
    code = main(["play", str(rig), str(tmp_path / "picture.png"), "--design", "--still", str(out), "--json"])
    assert code == 0
    assert json.loads(capsys.readouterr().out)["resolution"] == [320, 180]
    folder = open_rig(rig)
    design = trace_map(build_model(folder.rig, meshes={}, profiles={}))
    expected = CpuRenderer(build_prewarp(design, folder.rig.content, 2.2)).render(read_colour(tmp_path / "picture.png"))
    frame = read_colour(out)
    np.testing.assert_array_equal(frame, expected)
    assert frame.any()
    # nothing is overwritten silently
    assert main(["play", str(rig), str(tmp_path / "picture.png"), "--design", "--still", str(out)]) == 3


def test_without_a_measured_result_it_says_what_to_run(rig, tmp_path, capsys):
    assert main(["play", str(rig), str(tmp_path / "picture.png"), "--still", str(tmp_path / "x.png")]) == 3
    assert "rigwarp fit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["missing.png", "--design"], 3),
        (["picture.png", "--design", "--still", "frame.jpg"], 2),
        (["picture.png", "--design", "--display", "7"], 4),
    ],
)
def test_mistakes_have_their_exit_codes(rig, tmp_path, monkeypatch, arguments, code):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SDL_VIDEODRIVER", "offscreen")
    assert main(["play", str(rig), *arguments]) == code


def test_plays_without_a_display(rig, tmp_path):
    done = subprocess.run(
        [
            *(sys.executable, "-m", "rigwarp.cli", "play", rig, tmp_path / "picture.png"),
            *("--design", "--seconds", "0.3", "--json"),
        ],
        env={"PATH": "", "SDL_VIDEODRIVER": "offscreen"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert json.loads(done.stdout)["ended_by"] == "time"
    assert "Caution" in done.stderr
