"""Every file of a rig folder damaged in every way, through a command that reads it: exit 3, one line, no change."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.decode import Decoded, Noise, Response
from rigwarp.files import (
    make_current,
    new_run,
    open_rig,
    write_adjustment,
    write_decoded,
    write_json,
    write_map,
    write_npz,
    write_patterns,
    write_picture,
    write_prewarp,
)
from rigwarp.geometry import PixelMap
from rigwarp.patterns import fast_set
from rigwarp.prewarp import Adjustment, build_prewarp
from rigwarp.scenarios import create_rig

# which file, and the command that cannot do without it; {rig}, {away} and {out} are folders
CASES = [
    ("rig.toml", "check {rig}"),
    ("rig.toml", "fit {rig}"),
    ("mirror.stl", "check {rig}"),
    ("mirror.stl", "export {rig} --format obj"),
    ("camera.json", "fit {rig}"),
    ("current.json", "report {rig}"),
    ("current.json", "export {rig} --format csv"),
    ("adjust.json", "export {rig} --format csv"),
    ("results/*/prewarp.npz", "export {rig} --format pfm"),
    ("results/*/prewarp.npz", "play {rig} {away}/picture.png --still {out}/still.png"),
    ("results/*/as_built.npz", "export {rig} --format deviation-csv"),
    ("results/*/as_built.npz", "export {rig} --format mould"),
    ("results/*/as_built.json", "export {rig} --format deviation-npz"),
    ("results/*/as_built.json", "export {rig} --format mould"),
    ("scans/*/decoded.npz", "fit {rig}"),
    ("results/*/warp-npz/export.json", "export {rig} --format npz --replace"),
]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder `rig` with one small file of every kind in it, and a folder `away` for an import."""
    base = tmp_path_factory.mktemp("built")
    root = base / "rig"
    create_rig("freeform-desk", root)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    (root / "rig.toml").write_text(text.replace("[1280, 720]", "[64, 36]"), encoding="utf-8")
    folder = open_rig(root)
    v, u = np.mgrid[:36, :64].astype(float)
    size = np.array(folder.rig.content.size_mm)
    table_map = PixelMap(
        x_mm=(u - 31.5) * size[0] / 60,
        y_mm=(17.5 - v) * size[1] / 30,
        sigma_mm=np.full(u.shape, 0.01),
        zone=np.zeros(u.shape, np.int16),
        measured=np.ones(u.shape, bool),
    )
    _write_camera(root / "camera.json")
    with new_run(root / "scans", "scan", folder) as scan:
        write_decoded(scan / "decoded.npz", _decoded())
    with new_run(root / "results", "fit", folder) as run:
        write_map(run / "map.npz", table_map, rig_hash=folder.rig_hash)
        write_prewarp(run / "prewarp.npz", build_prewarp(table_map, folder.rig.content, 2.2))
        _write_as_built(run)
    make_current(root, run)
    write_adjustment(root / "adjust.json", Adjustment(shift_mm=(1.0, 0.0)), revision=1)
    assert main(["export", str(root), "--format", "npz"]) == 0
    away = base / "away"
    away.mkdir()
    write_patterns(away / "patterns.json", fast_set((64, 36), transfer=2.2))
    write_picture(away / "picture.png", np.full((40, 40, 3), 200, np.uint8))
    return base


def _write_camera(path: Path) -> None:
    camera = {
        "resolution": [80, 60],
        "matrix": [[60.0, 0, 40], [0, 60, 30], [0, 0, 1]],
        "distortion": [0.0] * 5,
        "R_camera_from_table": [[1, 0, 0], [0, -1, 0], [0, 0, -1]],
        "t_camera_from_table_mm": [0, 0, 700],
    }
    write_json(path, camera, format="rigwarp camera")


def _decoded() -> Decoded:
    one = np.ones((60, 80))
    return Decoded(
        **dict.fromkeys(("u_px", "v_px", "sigma_u_px", "sigma_v_px", "light", "chi2"), one),
        reason=np.zeros((60, 80), np.uint8),
        response=Response(
            shape=1.0, shape_sigma=0.1, full_scale=255, level_codes=np.arange(3.0), level_light=np.arange(3.0)
        ),
        noise=Noise(floor=1.0, per_light=0.5),
        harmonics={},
    )


def _write_as_built(run: Path) -> None:
    axis = np.arange(-30.0, 31.0)
    names = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")
    arrays = {name: np.ones((61, 61)) for name in names}
    arrays |= {"x_mm": axis, "y_mm": axis, "zone": np.zeros((61, 61), np.int16)}
    write_npz(run / "as_built.npz", arrays, format="rigwarp as built")
    numbers = {
        "sign": {"height": "+ towards the reflecting side", "reflecting_side_along_mirror_z": 1},
        "power": {"determined": True},
    }
    write_json(run / "as_built.json", numbers, format="rigwarp as built")


def damages(path: Path) -> Iterator[tuple[str, bytes]]:
    """Every way in which a file may be wrong: name of the damage, bytes."""
    whole = path.read_bytes()
    yield "empty", b""
    yield "cut off", whole[: len(whole) // 2]
    yield "a picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4
    yield "not UTF-8", b"\xff\xfe" + whole[:200]
    if path.suffix == ".json":
        contents = json.loads(whole)
        yield "another format", json.dumps({**contents, "format": "rigwarp something"}).encode()
        yield "a later version", json.dumps({**contents, "version": 99}).encode()
        yield "a list", b"[1, 2]"
        yield "format and version alone", json.dumps({k: contents[k] for k in ("format", "version")}).encode()
    if path.suffix == ".npz":
        other = path.with_name("other.npz")
        write_npz(other, {"a": np.ones(3)}, format="rigwarp something")
        yield "another format", other.read_bytes()
        other.unlink()
    if path.suffix == ".toml":
        yield "an unknown key", whole + b"\n[mirorr]\nkind = 1\n"


def listing(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def tolerated(pattern: str, damage: str) -> bool:
    """Damage that is none: an adjustment without any key is the one that changes nothing."""
    return pattern == "adjust.json" and damage == "format and version alone"


@pytest.mark.parametrize(
    ("pattern", "command"), CASES, ids=[f"{p.split('/')[-1]}: {c.split()[0]} {c.split()[-1]}" for p, c in CASES]
)
def test_damage_is_refused_and_nothing_changes(
    built: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], pattern: str, command: str
) -> None:
    shutil.copytree(built, tmp_path, dirs_exist_ok=True)
    rig = tmp_path / "rig"
    (path,) = rig.glob(pattern)
    words = command.format(rig=rig, away=tmp_path / "away", out=tmp_path).split()
    whole = path.read_bytes()
    for damage, data in list(damages(path)):
        if tolerated(pattern, damage):
            continue
        path.write_bytes(data)
        before = listing(tmp_path)
        capsys.readouterr()
        code = main(words)
        said = capsys.readouterr().err
        assert code == 3, (damage, said)
        assert said.count("\n") == 1, damage
        assert path.name in said or path.parent.name in said, damage
        assert listing(tmp_path) == before, damage
    path.write_bytes(whole)


def test_damaged_patterns_are_refused_before_anything_is_imported(
    built: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(built, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "away" / "patterns.json"
    for damage, data in list(damages(path)):
        path.write_bytes(data)
        before = listing(tmp_path)
        capsys.readouterr()
        assert main(["scan", str(tmp_path / "rig"), "--import", str(tmp_path / "away")]) == 3, damage
        assert "patterns.json" in capsys.readouterr().err, damage
        assert listing(tmp_path) == before, damage


@pytest.mark.parametrize("name", ["start.json", "stop.json"])
def test_a_run_with_a_damaged_record_is_not_used(
    built: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """Without a readable stop record a result is no result; without a start record a scan cannot be told apart."""
    shutil.copytree(built, tmp_path, dirs_exist_ok=True)
    folder = tmp_path / "rig" / ("results" if name == "stop.json" else "scans")
    (path,) = folder.glob(f"*/{name}")
    command = (
        ["export", str(tmp_path / "rig"), "--format", "csv"] if name == "stop.json" else ["fit", str(tmp_path / "rig")]
    )
    for damage, data in list(damages(path)):
        if name == "start.json" and damage == "format and version alone":
            continue  # a scan whose settings are not recorded is one without zones
        path.write_bytes(data)
        before = listing(tmp_path)
        capsys.readouterr()
        assert main(command) == 3, damage
        assert capsys.readouterr().err.count("\n") == 1, damage
        assert listing(tmp_path) == before, damage
