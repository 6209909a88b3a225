"""`rigwarp play`, run as a user would."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import coded_video as coded
import cv2
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.files import open_rig, read_colour, write_adjustment
from rigwarp.live import CpuRenderer
from rigwarp.prewarp import Adjustment, build_prewarp
from rigwarp.tracing import build_model, trace_map

RIG = Path(__file__).with_name("small_rig.toml").read_text()


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


def test_a_correction_by_hand_is_in_the_still_but_not_on_the_designs_warp(rig, tmp_path):
    spec = importlib.util.spec_from_file_location("result_rig", Path(__file__).with_name("result_rig.py"))
    result_rig = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(result_rig)
    result_rig.add_result(rig, 0.0)
    frames = []
    for number, black in enumerate((0.0, 0.1)):
        write_adjustment(rig / "adjust.json", Adjustment(black_level=black), revision=number)
        for design in ([], ["--design"]):
            out = tmp_path / f"{number}{len(design)}.png"
            assert main(["play", str(rig), "check:grid", "--still", str(out), *design]) == 0
            frames.append(read_colour(out))
    middle = np.s_[60:120, 100:220]
    assert frames[0][middle].min() == 0
    assert frames[2][middle].min() > 60  # 0.1 of the light is code 255 * 0.1 ** (1 / 2.2) = 89, less where dimmed
    np.testing.assert_array_equal(frames[1], frames[3])


def test_a_broken_correction_does_not_stop_the_show(rig, tmp_path, capsys):
    (rig / "adjust.json").write_text("{")
    spec = importlib.util.spec_from_file_location("result_rig", Path(__file__).with_name("result_rig.py"))
    result_rig = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(result_rig)
    result_rig.add_result(rig, 0.0)
    assert main(["play", str(rig), "check:white", "--still", str(tmp_path / "a.png")]) == 0
    assert "adjust.json" in capsys.readouterr().err


def test_a_service_file_with_the_same_options(rig, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    out = tmp_path / "table.service"
    options = ["--remote", "9000", "--memory-limit", "2000", "--display", "1", "--write-service", str(out)]
    assert main(["play", "rig", "picture.png", *options]) == 0
    text = out.read_text()
    assert f"play {rig} {tmp_path / 'picture.png'}" in text  # absolute: a service has no working folder
    assert "--display 1" in text
    assert "--remote 9000 --remote-host 127.0.0.1" in text
    assert f"--heartbeat {rig / 'heartbeat.json'}" in text
    assert "MemoryMax=2000M" in text


def test_a_service_file_for_aiming_with_a_page_and_a_name_of_two_lines(rig, tmp_path, capsys):
    out = tmp_path / "aim.service"
    page = ["--page", "9001", "--page-code"]
    assert main(["play", str(rig), "--aim", *page, "--write-service", str(out)]) == 0
    (started,) = (line for line in out.read_text().splitlines() if line.startswith("ExecStart="))
    assert f"play {rig} --aim " in started
    assert "--scene" not in started
    assert "--page 9001 --page-host 127.0.0.1" in started
    assert "--page-code" in started
    capsys.readouterr()
    two_lines = tmp_path / "a\nb.service"
    assert main(["play", str(rig), "check:grid", "--write-service", str(two_lines)]) == 3
    assert "line break" in capsys.readouterr().err
    assert not two_lines.exists()


def test_everything_at_once_in_a_window(rig, tmp_path):
    """Video, statistics, log, heartbeat, remote control and dithering, for a second and a half."""
    coded.write_video(tmp_path / "coded.mp4", 30, (160, 64))
    done = subprocess.run(
        [
            *(sys.executable, "-m", "rigwarp.cli", "play", rig, tmp_path / "coded.mp4", "--design", "--dither"),
            *("--seconds", "1.5", "--stats", "--remote", "0", "--log", tmp_path / "play.log"),
            *("--heartbeat", tmp_path / "heartbeat.json", "--samples", "quick", "--json"),
        ],
        env={"PATH": "", "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    statistics = json.loads(done.stdout)["statistics"]
    assert statistics["fresh"] > 5
    assert "flips_per_second" in done.stderr
    assert json.loads((tmp_path / "heartbeat.json").read_text())["shown"] >= 0
    assert "ended by time" in (tmp_path / "play.log").read_text()


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ([], 2),
        (["picture.png", "--scene", "a:b"], 2),
        (["check:nothing", "--design"], 2),
        (["--scene", "no_such_module:draw", "--design"], 3),
        (["check:grid", "--design", "--remote", "99999"], 4),
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
