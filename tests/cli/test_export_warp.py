"""`rigwarp export` of a warp: a folder of its own, whole or not at all, and nothing lost."""

import json
import shutil
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rigwarp import load_warp
from rigwarp.cli import main
from rigwarp.files import (
    WARP_FORMATS,
    make_current,
    new_run,
    open_rig,
    read_photo,
    write_adjustment,
    write_map,
    write_picture,
    write_prewarp,
)
from rigwarp.geometry import PixelMap
from rigwarp.prewarp import Adjustment, build_prewarp
from rigwarp.scenarios import create_rig

WARP = next(iter(WARP_FORMATS))


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """A rig folder with a small projector and a current result that holds a prewarp alone."""
    root = tmp_path / "rig"
    create_rig("round-table", root)
    text = (root / "rig.toml").read_text(encoding="utf-8").replace("[1280, 720]", "[160, 90]")
    (root / "rig.toml").write_text(text, encoding="utf-8")
    folder = open_rig(root)
    v, u = np.mgrid[:90, :160].astype(float)
    table_map = PixelMap(
        x_mm=(u - 80) * 6 + 9 * np.sin(v / 20),
        y_mm=(45 - v) * 6,
        sigma_mm=np.full(u.shape, 0.01),
        zone=np.zeros(u.shape, np.int16),
        measured=np.ones(u.shape, bool),
    )
    with new_run(root / "results", "fit", folder) as run:
        write_prewarp(run / "prewarp.npz", build_prewarp(table_map, folder.rig.content, 2.2))
        write_map(run / "map.npz", table_map, rig_hash=folder.rig_hash, scan=None, more={"light": np.ones(u.shape)})
    make_current(root, run)
    return root


def result_of(rig: Path) -> Path:
    (run,) = (rig / "results").iterdir()
    return run


def export(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> tuple[dict[str, Any], str]:
    capsys.readouterr()
    assert main(["export", *(str(w) for w in words), "--json"]) == code
    said = capsys.readouterr()
    return json.loads(said.out) if said.out else {}, said.err


def listing(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("name", list(WARP_FORMATS))
def test_each_format_gets_a_folder_with_everything(rig: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    told, said = export(capsys, rig, "--format", name)
    folder = Path(told["file"])
    assert folder == result_of(rig) / f"warp-{name}"
    assert told["mesh_error_px"] <= 0.05
    present = {path.name for path in folder.iterdir()}
    assert {WARP_FORMATS[name].file, "README.md", "gain.png", "gain_code.png", "export.json"} == present
    about = json.loads((folder / "export.json").read_text())
    assert set(about["files"]) == present - {"export.json"}
    assert about["result"] == result_of(rig).name
    assert ("experimental" in said) == (name == "mpcdi") == about["experimental"]


def test_help_says_what_is_experimental(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", "--help"]) == 0
    said = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "EXPERIMENTAL" in said
    assert "mpcdi (experimental)" in said


def test_an_export_that_is_there_is_kept(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    export(capsys, rig, "--format", "npz")
    before = listing(rig)
    _, said = export(capsys, rig, "--format", "npz", code=3)
    assert "--replace" in said
    assert said.count("\n") == 1
    assert listing(rig) == before
    export(capsys, rig, "--format", "npz", "--replace")
    assert listing(rig) == before  # the same warp gives the same bytes, and nothing is left over


def test_what_is_no_export_is_never_replaced(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("years of work")
    _, said = export(capsys, rig, "--format", "obj", "--out", mine, "--replace", code=3)
    assert "no export" in said
    shutil.rmtree(mine)
    export(capsys, rig, "--format", "obj", "--out", mine)
    (mine / "thesis.txt").write_text("years of work")
    _, said = export(capsys, rig, "--format", "obj", "--out", mine, "--replace", code=3)
    assert "thesis.txt" in said
    file = tmp_path / "file"
    file.write_text("x")
    export(capsys, rig, "--format", "obj", "--out", file, "--replace", code=3)
    assert file.read_text() == "x"
    empty = tmp_path / "empty"
    empty.mkdir()
    export(capsys, rig, "--format", "obj", "--out", empty)  # nothing there that could be lost
    _, said = export(capsys, rig, "--format", "obj", "--out", tmp_path / "no" / "where", code=3)
    assert "folder above" in said


@pytest.mark.parametrize("kind", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_broken_export_leaves_nothing(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, kind: BaseException
) -> None:
    export(capsys, rig, "--format", "pfm")
    before = listing(rig)

    def broken(*_: object, **__: object) -> None:
        raise kind

    monkeypatch.setattr("rigwarp.files.exports.warp_export.write_text", broken)  # README.md is written last
    capsys.readouterr()
    assert main(["export", str(rig), "--format", "pfm", "--replace"]) == (3 if isinstance(kind, OSError) else 130)
    assert listing(rig) == before
    assert not [path for path in result_of(rig).iterdir() if path.name.startswith(".")]


def test_the_correction_by_hand_is_included_unless_told(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain, _ = export(capsys, rig, "--format", "npz")
    assert not plain["corrected_by_hand"]
    write_adjustment(rig / "adjust.json", Adjustment(shift_mm=(12.0, 0.0)), revision=1)
    moved, _ = export(capsys, rig, "--format", "npz", "--replace")
    assert moved["corrected_by_hand"]
    with np.load(Path(moved["file"]) / "warp.npz") as arrays:
        middle = arrays["content_u_px"][45, 80]
    same, _ = export(capsys, rig, "--format", "npz", "--no-correction", "--replace")
    with np.load(Path(same["file"]) / "warp.npz") as arrays:
        shift_px = arrays["content_u_px"][45, 80] - middle
    # content moved 12 mm to the right: the same spot now shows what stood 12 mm to its left; 1080 px on 480 mm
    assert shift_px == pytest.approx(12.0 * 1080 / 480, abs=0.1)  # px; two meshes, each within 0.05
    (rig / "adjust.json").write_text("{")
    _, said = export(capsys, rig, "--format", "csv", code=3)
    assert "--no-correction" in said
    assert not (result_of(rig) / "warp-csv").exists()
    export(capsys, rig, "--format", "csv", "--no-correction")


def test_a_damaged_prewarp_is_refused_and_nothing_made(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = result_of(rig) / "prewarp.npz"
    path.write_bytes(path.read_bytes()[:5000])
    before = listing(rig)
    _, said = export(capsys, rig, "--format", "obj", code=3)
    assert "prewarp.npz" in said
    assert said.count("\n") == 1
    assert listing(rig) == before


def test_without_openexr_the_way_to_get_it_is_told(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "OpenEXR", None)
    _, said = export(capsys, rig, "--format", "exr", code=4)
    assert "pip install OpenEXR" in said
    assert not (result_of(rig) / "warp-exr").exists()


def test_an_unknown_format_is_answered_with_those_there_are(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, said = export(capsys, rig, "--format", "fbx", code=3)
    assert "obj, gltf, pfm, exr, csv, npz, mpcdi, mould" in said


def rewritten(rig: Path, old: str, new: str) -> None:
    text = (rig / "rig.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (rig / "rig.toml").write_text(text.replace(old, new), encoding="utf-8")


def test_a_content_that_was_made_smaller_after_the_fit(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Half the diameter: the same map, so half as wide on the projector's picture; said, and in `play` alike."""
    wide, said = export(capsys, rig, "--format", WARP, "--out", rig / "wide")
    assert said == ""
    rewritten(rig, "diameter_mm = 480", "diameter_mm = 240")
    small, said = export(capsys, rig, "--format", WARP, "--out", rig / "small")
    assert "content in rig.toml changed since the result" in said
    assert f"rigwarp fit {rig}" in said
    assert small["lit_pixels"] == pytest.approx(wide["lit_pixels"] / 4.0, rel=0.1)
    picture, frame = rig / "picture.png", rig / "frame.png"
    write_picture(picture, np.full((50, 50, 3), 255, np.uint8))
    assert main(["play", str(rig), str(picture), "--still", str(frame)]) == 0
    assert "content in rig.toml changed" in capsys.readouterr().err
    assert np.count_nonzero(read_photo(frame)) == pytest.approx(small["lit_pixels"], rel=0.05)
    drawn = load_warp(rig).apply(np.full((50, 50, 3), 255, np.uint8))
    assert np.count_nonzero(drawn.max(axis=-1)) == pytest.approx(small["lit_pixels"], rel=0.05)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("[160, 90]", "[320, 180]", "projector.resolution"),
        ("[table]\n", "[table]\nheight_mm = 20.0\n", "table.height_mm"),
    ],
)
def test_a_map_that_no_longer_holds_is_refused(
    rig: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, key: str
) -> None:
    rewritten(rig, old, new)
    _, said = export(capsys, rig, "--format", WARP, code=3)
    assert f"{key} in rig.toml changed" in said
    assert "rigwarp calibrate" in said
    assert main(["play", str(rig), "check:grid", "--still", str(rig / "frame.png")]) == 3
    assert key in capsys.readouterr().err


def test_what_does_not_matter_to_the_warp_may_change(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rewritten(rig, "content_p95_mm = 0.5", "content_p95_mm = 0.7  # as agreed")
    _, said = export(capsys, rig, "--format", WARP)
    assert "changed" not in said
