"""`rigwarp scan` away from the machine: sets, exposures and periods go by patterns.json alone."""

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import complete_runs, open_rig, read_decoded, read_patterns, read_start
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


def named(capsys: pytest.CaptureFixture[str], *words: object, code: int = 5) -> str:
    """What a command says that is refused, with exit code 5 as a rule."""
    assert main([str(w) for w in words]) == code
    return " ".join(capsys.readouterr().err.split())


def test_wrong_photographs_are_named_and_mended(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Under a camera's own names: exchanged, there twice, missing."""
    away = tmp_path / "away"
    run(capsys, "scan", rig, "--export", away)
    photograph_by_hand(away, (960, 540), [0.9])
    frames = away / "frames"
    for path in sorted(frames.iterdir()):
        path.rename(frames / f"IMG_{990 + int(path.stem)}.PNG")
    (frames / "IMG_1000.PNG").rename(tmp_path / "one")
    (frames / "IMG_1010.PNG").rename(frames / "IMG_1000.PNG")
    (tmp_path / "one").rename(frames / "IMG_1010.PNG")
    before = {path.name: path.read_bytes() for path in frames.iterdir()}
    said = named(capsys, "scan", rig, "--import", away)
    assert "photographs IMG_1000.PNG and IMG_1010.PNG are exchanged" in said
    assert "--mend" in said
    assert {path.name: path.read_bytes() for path in frames.iterdir()} == before
    scanned = run(capsys, "scan", rig, "--import", away, "--mend")
    assert "IMG_1000.PNG and IMG_1010.PNG are exchanged" in scanned["scans"][0]["corrected"][0]
    decoded = read_decoded(Path(scanned["scan"]) / "decoded.npz")
    u = (np.arange(960) + 0.5) * 640 / 960 - 0.5  # pictures stretched corner to corner
    assert np.nanmedian(np.abs(decoded.u_px - u)) < 0.1
    assert "IMG_1000.PNG" in decoded.corrected[0]
    assert len(list((Path(scanned["scan"]) / "frames").glob("00??.png"))) == len(before)
    (frames / "IMG_1010.PNG").rename(tmp_path / "one")
    (frames / "IMG_1000.PNG").rename(frames / "IMG_1010.PNG")
    (tmp_path / "one").rename(frames / "IMG_1000.PNG")
    (frames / "IMG_1003.PNG").rename(tmp_path / "lost")
    assert "pattern 0013 is missing: the one before it is photograph IMG_1002.PNG" in named(
        capsys, "scan", rig, "--import", away
    )
    assert main(["scan", str(rig), "--export", str(tmp_path / "b"), "--mend"]) == 2


def test_numbers_from_one_and_photographs_on_their_side(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    away = tmp_path / "away"
    run(capsys, "scan", rig, "--export", away)
    photograph_by_hand(away, (960, 540), [0.9])
    frames = away / "frames"
    for path in sorted(frames.iterdir(), reverse=True):
        path.rename(frames / f"{int(path.stem) + 1:04d}.png")
    assert run(capsys, "scan", rig, "--import", away)["scans"][0]["corrected"] == []
    for path in frames.iterdir():
        cv2.imwrite(str(path), cv2.rotate(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), cv2.ROTATE_90_CLOCKWISE))
    assert "turned by 90 degrees" in named(capsys, "scan", rig, "--import", away)


def exchange(one: Path, other: Path) -> None:
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)


def test_a_mirror_of_two_zones_is_exported_zone_by_zone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folded = make_small_rig(tmp_path / "folded", "folded-counter", share=0.25)
    away = tmp_path / "away"
    made = run(capsys, "scan", folded, "--export", away)
    assert [Path(part).name for part in made["folders"]] == ["zone-0", "zone-1"]
    white = [
        cv2.imread(str(away / zone / "patterns" / "0007.png"), cv2.IMREAD_UNCHANGED) for zone in ("zone-0", "zone-1")
    ]
    assert (white[0] ^ white[1] == 255).all()  # every pixel is lit once
    virtual = open_virtual(open_rig(folded))
    for zone in ("zone-0", "zone-1"):
        (away / zone / "frames").mkdir()
        for picture in sorted((away / zone / "patterns").iterdir()):
            virtual.display.show(cv2.imread(str(picture), cv2.IMREAD_UNCHANGED))
            cv2.imwrite(str(away / zone / "frames" / picture.name), virtual.camera.grab())
    scanned = run(capsys, "scan", folded, "--import", away)["scans"]
    settings = [read_start(Path(one["scan"])).settings for one in scanned]
    assert [one["zone"] for one in settings] == [0, 1]
    assert settings[0]["group"] == settings[1]["group"]
    both = [read_decoded(Path(one["scan"]) / "decoded.npz").valid for one in scanned]
    assert (both[0] & both[1]).sum() > 500  # where the zones overlap, both are measured
    # what a person does with folders
    error = named(capsys, "scan", folded, "--import", away / "zone-1", code=3)
    assert f"--import {away}" in error
    frames = [away / zone / "frames" for zone in ("zone-0", "zone-1")]
    last = frames[0] / "0034.png"
    last.rename(away / last.name)
    assert "zone-0/0033.png" in named(capsys, "scan", folded, "--import", away)  # not only 0033.png, which each has
    (away / last.name).rename(last)
    stripes = [folder / "0012.png" for folder in frames]
    exchange(*stripes)
    error = named(capsys, "scan", folded, "--import", away)
    assert "photograph zone-0/0012.png does not show its own pattern" in error
    assert "may be another zone's" in error
    exchange(*stripes)
    frames[0].rename(away / "aside")
    assert "the first 35 belong to zone-0" in named(capsys, "scan", folded, "--import", away, code=3)
    frames[1].rename(frames[0])
    (away / "aside").rename(frames[1])
    assert "zone-0: the photographs show zone 1 lit" in named(capsys, "scan", folded, "--import", away)
    assert len(complete_runs(folded / "scans")) == 2
