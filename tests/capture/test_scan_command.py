"""`rigwarp scan` away from the machine: sets, exposures and periods go by patterns.json alone."""

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.files import read_decoded, read_patterns
from rigwarp.patterns import make_set


def run(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> dict[str, Any]:
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    written = capsys.readouterr().out
    return json.loads(written) if written else {}


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_small_rig(tmp_path_factory.mktemp("scan") / "rig")


def photograph_by_hand(away: Path, camera: tuple[int, int], gains: list[float]) -> None:
    """The pictures themselves, stretched to the camera's size, one gain per exposure."""
    patterns = read_patterns(away / "patterns.json")
    (away / "frames").mkdir()
    random = np.random.default_rng(5)
    for index, frame in enumerate(patterns.frames):
        shown = cv2.imread(str(away / "patterns" / f"{index:04d}.png"), cv2.IMREAD_UNCHANGED)
        light = gains[frame.exposure] * (cv2.resize(shown, camera) / 255.0) ** 2.2
        photo = 255 * np.clip(light, 0, 1) ** (1 / 2.2) + random.normal(0, 1.0, light.shape)
        cv2.imwrite(str(away / "frames" / f"{index:04d}.png"), np.clip(photo, 0, 255).round().astype(np.uint8))


def test_a_gray_code_scan_in_two_exposures(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    away = tmp_path / "away"
    made = run(capsys, "scan", rig, "--export", away, "--set", "gray", "--exposures", 2, "--blur", 4)
    shown = read_patterns(away / "patterns.json")
    size = shown.resolution
    assert shown == make_set("gray", size, shown.transfer, blur_px=4.0, exposures=2)
    assert made["count"] == len(shown.frames)
    camera = (960, 540)
    photograph_by_hand(away, camera, [1.6, 0.5])  # the first burns out, but for the troughs
    scanned = run(capsys, "scan", rig, "--import", away)
    decoded = read_decoded(Path(scanned["scan"]) / "decoded.npz")
    # pictures stretched corner to corner
    u = (np.arange(camera[0]) + 0.5) * size[0] / camera[0] - 0.5
    assert decoded.valid.mean() > 0.98
    assert np.nanmedian(np.abs(decoded.u_px - u)) < 0.1
    assert scanned["scans"][0]["pixels"]["ok"] == int(decoded.valid.sum())
    assert read_patterns(Path(scanned["scan"]) / "patterns.json") == shown


def test_mistakes_on_the_command_line(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["scan", str(rig), "--export", str(tmp_path / "a"), "--set", "hasty"]) == 2
    assert "fast, fine, gray" in capsys.readouterr().err
    assert main(["scan", str(rig), "--export", str(tmp_path / "a"), "--resume"]) == 2
    assert "--resume" in capsys.readouterr().err
    assert main(["scan", str(rig), "--export", str(tmp_path / "a"), "--import", str(tmp_path / "b")]) == 2
    assert not (tmp_path / "a").exists()
